"""A picture with one line per pass over the same metres of road, one panel per road."""

import textwrap
from collections.abc import Callable, Iterable, Sequence

from matplotlib.figure import Figure
from numpy.typing import NDArray

from towertap.compare.drives.model import Pass
from towertap.compare.road.places import Places
from towertap.drawing.picture import Picture
from towertap.drawing.style import SIDES, legend, new_figure, side_handles
from towertap.words.numbers import along, brief
from towertap.words.table import joined, of_columns

PLACE = "place, s"
Lines = Callable[[Places], Iterable[tuple[Pass, dict[str, NDArray]]]]
"""The passes of a road, each with named columns (n,): PLACE is one, the last is drawn over it."""


def along_road(name: str, title: str, caption: str, roads: Sequence[Places], lines: Lines, data_title: str) -> Picture:
    """The picture of `roads`, its data titled `data_title`."""
    tables = (
        of_columns("", {"road": [road.alignment.road] * size, "pass": [drive.name] * size, **columns})
        for road in roads
        for drive, columns in lines(road)
        for size in (columns[PLACE].size,)
    )
    return Picture(name, title, caption, tuple(_panel(road, lines) for road in roads), joined(data_title, tables))


def _panel(road: Places, lines: Lines) -> Figure:
    figure = new_figure(2.6)
    axes = figure.subplots()
    for drive, columns in lines(road):
        *_, (label, values) = columns.items()
        look = SIDES[drive.side]
        axes.plot(columns[PLACE], values, color=look.colour, ls=look.line, lw=0.7, alpha=0.8)
        axes.set_ylabel(textwrap.fill(label, 20))
    axes.set_title(brief(road.alignment.road))
    axes.set_xlabel(textwrap.fill(along(road.alignment.reference), 48, break_on_hyphens=False))
    axes.margins(x=0)
    axes.grid()
    legend(figure, side_handles())
    return figure
