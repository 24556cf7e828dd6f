"""Slow libraries, loaded on first use so that a command's help need not wait for them.

scipy loads its subpackages lazily by itself when imported as `import scipy`. Python 3.15 adds `lazy import`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any


class _Lazy:
    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        return getattr(import_module(self._name), attribute)


if TYPE_CHECKING:
    import allantools
    import h5py
    import pandas as pd
else:
    allantools, h5py, pd = _Lazy("allantools"), _Lazy("h5py"), _Lazy("pandas")

__all__ = ["allantools", "h5py", "pd"]
