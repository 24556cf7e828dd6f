"""Before against after: passes in, findings out, with the pass as the unit of every inference."""

import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import towertap
from towertap.compare.comparison import Comparison, compare
from towertap.compare.drives.folder import load_passes
from towertap.compare.drives.model import Drives
from towertap.compare.sections import SECTIONS

__all__ = ["Comparison", "compare", "load_drives"]


def load_drives(folder: Path, before: str, after: str, smooth: str, **options: Any) -> Drives:
    """Read the captures of a folder with all that the sections take from them; `options` as in `load_passes`."""
    measures = {section.name: section.measure for section in SECTIONS}
    return load_passes(folder, before, after, smooth, measures=measures, **options)


class _CallableRoom(ModuleType):
    """A room that can be called: Python puts it at `towertap.compare`, where the library has a function."""

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        """As `towertap.library.compare`."""
        return towertap.__getattr__("compare")(*arguments, **options)


sys.modules[__name__].__class__ = _CallableRoom
