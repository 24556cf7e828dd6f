"""Picture: how fast each pass went along the road, by its speed log."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from towertap.compare.drives.model import Pass
from towertap.compare.road.places import Places
from towertap.drawing.style import SIDES, legend, new_figure, side_handles
from towertap.words.numbers import along, brief
from towertap.words.table import Table, joined, of_columns


def panel(road: Places) -> Figure:
    """A road, one line a pass."""
    figure = new_figure(2.6)
    axes = figure.subplots()
    for drive, place_s, speed_kmh in _logged(road):
        look = SIDES[drive.side]
        axes.plot(place_s, speed_kmh, color=look.colour, ls=look.line, lw=0.9)
    axes.set_title(brief(road.alignment.road))
    axes.set_ylabel("speed, km/h")
    axes.set_xlabel(textwrap.fill(along(road.alignment.reference), 48, break_on_hyphens=False))
    axes.grid()
    legend(figure, side_handles())
    return figure


def data(roads: Sequence[Places]) -> Table:
    """The speed of every pass that has a log, by place."""
    return joined(
        "Speed along the road",
        (
            of_columns(
                "",
                {
                    "road": [road.alignment.road] * place_s.size,
                    "pass": [drive.name] * place_s.size,
                    "place, s": place_s,
                    "speed, km/h": speed_kmh,
                },
            )
            for road in roads
            for drive, place_s, speed_kmh in _logged(road)
        ),
    )


def _logged(road: Places) -> Iterator[tuple[Pass, NDArray[np.float64], NDArray[np.float64]]]:
    """Each pass that has a log, with place in s and speed in km/h, (n,) each, inside its recording."""
    for number, drive in enumerate(road.passes):
        if drive.speed is not None:
            starts_s = drive.cells["start_s"]
            inside = (drive.speed.time_s >= starts_s[0]) & (drive.speed.time_s <= starts_s[-1])
            place_s = road.place_s(number, np.asarray(drive.speed.time_s[inside]))
            yield drive, place_s, 3.6 * drive.speed.speed_ms[inside]
