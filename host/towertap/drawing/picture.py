"""A figure with what the page says under it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # loading it takes a third of a second, and few runs draw
    from matplotlib.figure import Figure


@dataclass(frozen=True, eq=False)
class Picture:
    """`name` is its file's name without suffix, `caption` how to read it; the figure's own title says the finding."""

    name: str
    figure: Figure
    caption: str
