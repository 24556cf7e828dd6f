"""Before against after: passes in, findings out, with the pass as the unit of every inference."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import towertap

if TYPE_CHECKING:
    from towertap.compare.comparison import Comparison, compare
    from towertap.compare.drives.model import Drives

__all__ = ["Comparison", "compare", "load_drives"]


def __getattr__(name: str) -> Any:
    """Load the comparison on first use: a command's help does not need it."""
    if name not in __all__:
        raise AttributeError(f"module '{__name__}' has no attribute {name!r}")
    from towertap.compare import comparison

    return getattr(comparison, name)


def load_drives(folder: Path, before: str, after: str, smooth: str, **options: Any) -> Drives:
    """Read the captures of a folder with everything that the sections measure; `options` as in `load_passes`."""
    from towertap.compare.drives.folder import load_passes
    from towertap.compare.sections import SECTIONS

    measures = {section.name: section.measure for section in SECTIONS}
    return load_passes(folder, before, after, smooth, measures=measures, **options)


class _CallableRoom(ModuleType):
    """A callable package: Python binds it to `towertap.compare`, which is also a function of the library."""

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        """Same as `towertap.library.compare`."""
        return towertap.__getattr__("compare")(*arguments, **options)


sys.modules[__name__].__class__ = _CallableRoom
