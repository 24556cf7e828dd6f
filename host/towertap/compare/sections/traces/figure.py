"""Figure: one pass before and one after over the same road, as envelopes and in their worst second."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from towertap.compare.drives.model import Side
from towertap.compare.sections.traces.trace import UNITS, Envelope, Trace
from towertap.drawing.style import QUIET, SIDES, new_figure
from towertap.words.numbers import brief, number


def draw(road: str, before: Trace, after: Trace) -> Figure:
    """Draw before on the left and after on the right, on the same scales: whole passes above, worst seconds below."""
    figure = new_figure(8.6, 7.2, title(road, before, after))
    panels = figure.subplots(4, 2, sharey="row")
    traces: dict[Side, Trace] = {"before": before, "after": after}
    for column, (side, trace) in enumerate(traces.items()):
        for row, name in enumerate(UNITS):
            _whole(panels[row, column], side, trace.envelopes[name])
            _worst(panels[row + 2, column], side, trace.envelopes[name])
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
    peaks = [number(_peak(trace.envelopes["jerk"])) for trace in (before, after)]
    return f"{brief(road)}: peak vertical jerk {peaks[0]} m/s³ in a typical pass before, {peaks[1]} m/s³ after"


def _peak(envelope: Envelope) -> float:
    return float(np.nanmax(np.maximum(np.abs(envelope.low), np.abs(envelope.high))))


def _whole(axes: Axes, side: Side, envelope: Envelope) -> None:
    times = (np.arange(envelope.low.size) + 0.5) * envelope.step_s
    if envelope.worst_time_s.size:
        axes.axvspan(envelope.worst_time_s[0], envelope.worst_time_s[-1], color="#e6ebf0", lw=0)
    axes.fill_between(times, envelope.low, envelope.high, color=SIDES[side].colour, lw=0.3)
    axes.set_xlim(0, envelope.step_s * envelope.low.size)
    axes.axhline(0, color=QUIET, lw=0.5)
    axes.grid(axis="y")


def _worst(axes: Axes, side: Side, envelope: Envelope) -> None:
    axes.plot(envelope.worst_time_s, envelope.worst, color=SIDES[side].colour, lw=0.8)
    axes.axhline(0, color=QUIET, lw=0.5)
    axes.margins(x=0)
    axes.grid(axis="y")
