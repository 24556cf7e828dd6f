"""What the page shows as one picture: panels that stand side by side or stack, with the finding and the data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from towertap.words.table import Table

if TYPE_CHECKING:  # loading it takes a third of a second, and few runs draw
    from matplotlib.figure import Figure


@dataclass(frozen=True, eq=False)
class Picture:
    """`name` is its files' name without suffix, `title` the finding, `caption` how to read it, `data` what is drawn.

    Each of `panels` is as wide as `style.PANEL_IN` and can be read alone.
    """

    name: str
    title: str
    caption: str
    panels: tuple[Figure, ...]
    data: Table


@dataclass(frozen=True)
class DrawnPanel:
    """`svg` is an element for a page, `png` a file; `name` is that file's without suffix."""

    name: str
    svg: str
    png: bytes


@dataclass(frozen=True)
class DrawnPicture:
    """A picture once its panels are drawn."""

    name: str
    title: str
    caption: str
    panels: tuple[DrawnPanel, ...]
    data: Table
