"""Figure: the passes over each rough road by their own time, and by place once they are aligned."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from towertap.compare.places import Places
from towertap.report.style import SIDES, new_figure
from towertap.report.words import along, brief


def draw(roads: Sequence[Places]) -> Figure:
    """Draw one row a road: fingerprints of all passes by time on the left, by place on the right."""
    figure = new_figure(8.6, 1.0 + 2.2 * len(roads), title(roads))
    panels = figure.subplots(len(roads), 2, squeeze=False, sharey=True)
    for (by_time, by_place), places in zip(panels, roads, strict=True):
        for i, (one, shown) in enumerate(zip(places.passes, places.prints, strict=True)):
            time_s = (np.arange(shown.size) + 0.5) * places.cell_s
            look = SIDES[one.side]
            for axes, at in ((by_time, time_s), (by_place, places.place_s(i, time_s))):
                axes.plot(at, shown, color=look.colour, ls=look.line, lw=0.6, alpha=0.8)
        _label(by_time, f"{brief(places.alignment.road)}: as recorded", "time from the start of the recording, s")
        _label(by_place, "aligned", textwrap.fill(along(places.alignment.reference), 48, break_on_hyphens=False))
        by_time.set_ylabel("wheel hop level,\nstandard score")
    handles = [Line2D([], [], color=look.colour, ls=look.line, lw=1.2, label=side) for side, look in SIDES.items()]
    figure.legend(handles=handles, loc="outside lower right", ncols=2)
    return figure


def title(roads: Sequence[Places]) -> str:
    """How well the passes fit."""
    told = []
    for places in roads:
        fits = [one.quality for one in places.alignment.passes]
        failed = " (not aligned)" if places.alignment.warning else ""
        told.append(f"{brief(places.alignment.road, 24)} {min(fits):.2f} to {max(fits):.2f}{failed}")
    return "Correlation of each pass with the others, aligned: " + "; ".join(told)


def _label(axes: Axes, name: str, what: str) -> None:
    axes.set_title(name)
    axes.set_xlabel(what)
    axes.margins(x=0)
    axes.grid(axis="y")
