"""Figure: how fast each pass went along the road, by its speed log."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from towertap.compare.road.places import Places
from towertap.drawing.style import SIDES, new_figure
from towertap.words.numbers import along, brief


def draw(roads: Sequence[Places]) -> Figure | None:
    """Draw one panel a road, one line a pass; None where no pass has a log."""
    logged = [road for road in roads if any(drive.speed for drive in road.passes)]
    if not logged:
        return None
    figure = new_figure(8.6, 1.0 + 1.7 * len(logged), "Speed of each pass along the road, by its log")
    for axes, road in zip(figure.subplots(len(logged), squeeze=False)[:, 0], logged, strict=True):
        for place, drive in enumerate(road.passes):
            if drive.speed is None:
                continue
            starts_s = drive.cells["start_s"].to_numpy(float)
            inside = (drive.speed.time_s >= starts_s[0]) & (drive.speed.time_s <= starts_s[-1])
            at_s = road.place_s(place, np.asarray(drive.speed.time_s[inside]))
            look = SIDES[drive.side]
            axes.plot(
                at_s, 3.6 * drive.speed.speed_ms[inside], color=look.colour, ls=look.line, lw=0.9, label=drive.side
            )
        axes.set_title(brief(road.alignment.road))
        axes.set_ylabel("speed, km/h")
        axes.grid()
        by_label = dict(zip(*axes.get_legend_handles_labels()[::-1], strict=True))
        axes.legend(by_label.values(), by_label.keys(), loc="lower right", ncols=2)
        axes.set_xlabel(along(road.alignment.reference))
    return figure
