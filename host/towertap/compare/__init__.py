"""Before against after: passes in, findings out, with the pass as the unit of every inference."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import towertap

if TYPE_CHECKING:
    from towertap.compare.comparison import Comparison, compare
    from towertap.compare.drives.model import Drives
    from towertap.workers import Workers

__all__ = ["Comparison", "compare", "load_drives"]


def __getattr__(name: str) -> Any:
    """Load the comparison when it is first asked for: a command's help needs none."""
    if name not in __all__:
        raise AttributeError(f"module '{__name__}' has no attribute {name!r}")
    from towertap.compare import comparison

    return getattr(comparison, name)


def load_drives(
    folder: Path,
    before: str,
    after: str,
    smooth: str,
    *,
    include_unsound: bool = False,
    whole: bool = False,
    bench: Path | None = None,
    position: str | None = None,
    input_position: str | None = None,
    fresh: bool = False,
    workers: Workers | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Drives:
    """Read the captures of a folder with all that the sections take from them; see `load_passes`."""
    from towertap.compare.drives.folder import load_passes
    from towertap.compare.sections import SECTIONS

    return load_passes(
        folder,
        before,
        after,
        smooth,
        measures={section.name: section.measure for section in SECTIONS},
        include_unsound=include_unsound,
        whole=whole,
        bench=bench,
        position=position,
        input_position=input_position,
        fresh=fresh,
        workers=workers,
        on_progress=on_progress,
    )


class _CallableRoom(ModuleType):
    """A room that can be called: Python puts it at `towertap.compare`, where the library has a function."""

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        """As `towertap.library.compare`."""
        return towertap.__getattr__("compare")(*arguments, **options)


sys.modules[__name__].__class__ = _CallableRoom
