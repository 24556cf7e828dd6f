"""A picture of the page: panels side by side or stacked, with title, caption and data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from towertap.words.table import Table

if TYPE_CHECKING:  # importing matplotlib takes a third of a second, and few runs draw
    from matplotlib.figure import Figure


@dataclass(frozen=True, eq=False)
class Picture:
    """`name` names its files, without suffix; `title` states the finding, `caption` says how to read it.

    Each panel is `style.PANEL_IN` wide and can be read alone. `data` is what is drawn.
    """

    name: str
    title: str
    caption: str
    panels: tuple[Figure, ...]
    data: Table


@dataclass(frozen=True)
class DrawnPanel:
    """A panel as `svg` element for the page, and as `png` file called `name`, without suffix."""

    name: str
    svg: str
    png: bytes


@dataclass(frozen=True)
class DrawnPicture:
    """A picture with its panels drawn."""

    name: str
    title: str
    caption: str
    panels: tuple[DrawnPanel, ...]
    data: Table
