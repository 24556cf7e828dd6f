"""Picture: one pass before and one after over the same road, as envelopes and in their worst second."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from towertap.compare.drives.model import Side
from towertap.compare.sections.traces.trace import UNITS, Envelope, Trace
from towertap.drawing.style import QUIET, SIDES, WASH, new_figure
from towertap.words.numbers import brief, number
from towertap.words.table import Table, joined, of_columns

Pair = Mapping[Side, Trace]


def panels(pair: Pair) -> list[Figure]:
    """A panel a side, on the same scales: the whole pass above, its worst second beneath."""
    tops = {name: max(_peak(trace.envelopes[name]) for trace in pair.values()) for name in UNITS}
    return [_panel(side, trace, tops) for side, trace in pair.items()]


def title(road: str, pair: Pair) -> str:
    """The peaks of the two passes."""
    before, after = (number(_peak(trace.envelopes["jerk"])) for trace in pair.values())
    return f"{brief(road)}: peak vertical jerk {before} m/s³ in a typical pass before, {after} m/s³ after"


def data(pair: Pair) -> Table:
    """The envelopes; a step's smallest and largest value."""
    tables = []
    for side, trace in pair.items():
        for name, envelope in trace.envelopes.items():
            count = envelope.low.size
            columns = {"time, s": _times_s(envelope), "smallest": envelope.low, "largest": envelope.high}
            signal = f"vertical {name}, {UNITS[name]}"
            tables.append(of_columns("", {"side": [side] * count, "signal": [signal] * count, **columns}))
    return joined("Envelopes of a typical pass", tables)


def _panel(side: Side, trace: Trace, tops: Mapping[str, float]) -> Figure:
    figure = new_figure(5.2)
    rows = figure.subplots(2 * len(UNITS), 1)
    for row, name in enumerate(UNITS):
        for axes, draw in ((rows[row], _whole), (rows[row + len(UNITS)], _worst)):
            draw(axes, SIDES[side].colour, trace.envelopes[name])
            axes.set_ylim(-1.05 * tops[name], 1.05 * tops[name])
            axes.set_ylabel(f"{name},\n{UNITS[name]}")
            axes.axhline(0, color=QUIET, lw=0.5)
            axes.grid(axis="y")
    rows[0].set_title(f"{side}: {brief(trace.capture, 44)}")
    rows[len(UNITS)].set_title("the worst second (shaded above)")
    for axes in (rows[len(UNITS) - 1], rows[-1]):
        axes.set_xlabel("time from the start of the recording, s")
    return figure


def _peak(envelope: Envelope) -> float:
    return float(np.nanmax(np.maximum(np.abs(envelope.low), np.abs(envelope.high))))


def _times_s(envelope: Envelope) -> np.ndarray:
    return (np.arange(envelope.low.size) + 0.5) * envelope.step_s


def _whole(axes: Axes, colour: str, envelope: Envelope) -> None:
    if envelope.worst_time_s.size:
        axes.axvspan(envelope.worst_time_s[0], envelope.worst_time_s[-1], color=WASH, lw=0)
    axes.fill_between(_times_s(envelope), envelope.low, envelope.high, color=colour, lw=0.3)
    axes.set_xlim(0, envelope.step_s * envelope.low.size)


def _worst(axes: Axes, colour: str, envelope: Envelope) -> None:
    axes.plot(envelope.worst_time_s, envelope.worst, color=colour, lw=0.8)
    axes.margins(x=0)
