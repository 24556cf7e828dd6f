"""Figure: one pass before and one after over the same road, as envelopes and in their worst second."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from towertap.compare.model import Side
from towertap.report.drawn import UNITS, Curve, Trace
from towertap.report.style import QUIET, SIDES, new_figure
from towertap.report.words import brief, number


def draw(road: str, before: Trace, after: Trace) -> Figure:
    """Draw before on the left and after on the right, on the same scales: whole passes above, worst seconds below."""
    figure = new_figure(8.6, 7.2, title(road, before, after))
    panels = figure.subplots(4, 2, sharey="row")
    traces: dict[Side, Trace] = {"before": before, "after": after}
    for column, (side, trace) in enumerate(traces.items()):
        for row, name in enumerate(UNITS):
            _whole(panels[row, column], side, trace.curves[name])
            _worst(panels[row + 2, column], side, trace.curves[name])
        for upper in (0, 2):
            panels[upper, column].sharex(panels[upper + 1, column])
            panels[upper, column].tick_params(labelbottom=False)
        panels[0, column].set_title(f"{side}: {brief(trace.capture, 44)}", color=SIDES[side].colour)
        panels[1, column].set_xlabel("time from the start of the recording, s")
        panels[2, column].set_title("the worst second (shaded above)")
        panels[3, column].set_xlabel("time from the start of the recording, s")
    for row, name in enumerate((*UNITS, *UNITS)):
        panels[row, 0].set_ylabel(f"vertical {name},\n{UNITS[name]}")
    return figure


def title(road: str, before: Trace, after: Trace) -> str:
    """The peaks of the two passes."""
    peaks = [number(_peak(trace.curves["jerk"])) for trace in (before, after)]
    return f"{brief(road)}: peak vertical jerk {peaks[0]} m/s³ in a typical pass before, {peaks[1]} m/s³ after"


def _peak(curve: Curve) -> float:
    return float(np.nanmax(np.maximum(np.abs(curve.low), np.abs(curve.high))))


def _whole(axes: Axes, side: Side, curve: Curve) -> None:
    times = (np.arange(curve.low.size) + 0.5) * curve.step_s
    if curve.worst_time_s.size:
        axes.axvspan(curve.worst_time_s[0], curve.worst_time_s[-1], color="#e6ebf0", lw=0)
    axes.fill_between(times, curve.low, curve.high, color=SIDES[side].colour, lw=0.3)
    axes.set_xlim(0, curve.step_s * curve.low.size)
    axes.axhline(0, color=QUIET, lw=0.5)
    axes.grid(axis="y")


def _worst(axes: Axes, side: Side, curve: Curve) -> None:
    axes.plot(curve.worst_time_s, curve.worst, color=SIDES[side].colour, lw=0.8)
    axes.axhline(0, color=QUIET, lw=0.5)
    axes.margins(x=0)
    axes.grid(axis="y")
