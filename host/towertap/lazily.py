"""Libraries that take long to load, loaded when they are first used: a command's help need not wait for them.

scipy does the same for its parts, where it is imported as a whole. Python 3.15 has a word for it, `lazy import`.
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
