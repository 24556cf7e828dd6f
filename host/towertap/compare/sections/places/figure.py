"""Figure: the passes over each rough road by their own time, and by place once they are aligned."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from towertap.compare.road.places import Places
from towertap.drawing.style import SIDES, new_figure
from towertap.words.numbers import along, brief


def draw(roads: Sequence[Places]) -> Figure:
    """Draw one row a road: fingerprints of all passes by time on the left, by place on the right."""
    figure = new_figure(8.6, 1.0 + 2.2 * len(roads), title(roads))
    panels = figure.subplots(len(roads), 2, squeeze=False, sharey=True)
    for (by_time, by_place), places in zip(panels, roads, strict=True):
        for number, (drive, fingerprint) in enumerate(zip(places.passes, places.prints, strict=True)):
            time_s = (np.arange(fingerprint.size) + 0.5) * places.cell_s
            look = SIDES[drive.side]
            place_s = places.warps[number](time_s / places.cell_s) * places.cell_s
            for axes, at in ((by_time, time_s), (by_place, place_s)):
                axes.plot(at, fingerprint, color=look.colour, ls=look.line, lw=0.6, alpha=0.8)
        _label(by_time, f"{brief(places.alignment.road)}: as recorded", "time driven from the start, s")
        _label(by_place, "aligned", textwrap.fill(along(places.alignment.reference), 48, break_on_hyphens=False))
        by_time.set_ylabel("wheel hop level,\nstandard score")
    handles = [Line2D([], [], color=look.colour, ls=look.line, lw=1.2, label=side) for side, look in SIDES.items()]
    figure.legend(handles=handles, loc="outside lower right", ncols=2)
    return figure


def title(roads: Sequence[Places]) -> str:
    """How well the passes fit."""
    fits = []
    for places in roads:
        qualities = [drive.quality for drive in places.alignment.passes]
        failed = " (not aligned)" if places.alignment.warning else ""
        fits.append(f"{brief(places.alignment.road, 24)} {min(qualities):.2f} to {max(qualities):.2f}{failed}")
    return "Correlation of each pass with the others, aligned: " + "; ".join(fits)


def _label(axes: Axes, name: str, what: str) -> None:
    axes.set_title(name)
    axes.set_xlabel(what)
    axes.margins(x=0)
    axes.grid(axis="y")
