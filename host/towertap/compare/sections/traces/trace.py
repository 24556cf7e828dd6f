"""What is drawn of a pass: its envelope and its worst second, from one walk through the capture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.capture.reading import Capture
from towertap.signals import bands, jerk
from towertap.signals.filters import CARRIED, Filter

Array = NDArray[np.float64]

BINS = 600
"""An envelope has so many steps, whatever the length of the recording."""
LOWEST_HZ, HIGHEST_HZ = 0.5, 500.0
"""What is drawn as acceleration; gravity and drift are below, and the rate may carry less than the upper end."""
UNITS = {"acceleration": "m/s²", "jerk": "m/s³"}


@dataclass(frozen=True, eq=False)
class Envelope:
    """One signal of a pass: smallest and largest value in each step, (BINS,), and the worst second sample by sample.

    Times in seconds from the start of the capture; a step within a gap is not a number.
    """

    step_s: float
    low: Array
    high: Array
    worst_time_s: Array
    worst: Array


@dataclass(frozen=True, eq=False)
class Trace:
    """Vertical acceleration and jerk of one pass, by name as in UNITS."""

    capture: str
    envelopes: dict[str, Envelope]


def trace(capture: Capture, up: Array, worst_start_s: float, window_s: float = 1.0) -> Trace:
    """Acceleration and jerk along `up` (3,) in chip axes; the worst second starts at `worst_start_s`."""
    rate_hz, pieces = capture.rate_hz, capture.pieces()
    filters: dict[str, Filter] = {
        "acceleration": bands.design((LOWEST_HZ, min(HIGHEST_HZ, CARRIED * rate_hz)), rate_hz),
        "jerk": jerk.design(min(jerk.EDGE_HZ, CARRIED * rate_hz), rate_hz),
    }
    end_s = pieces[-1].start_time_s + pieces[-1].n_rows / rate_hz
    drawings = {name: _Drawing(end_s, worst_start_s, worst_start_s + window_s) for name in filters}
    for piece in pieces:
        running = {name: kernel.start() for name, kernel in filters.items()}
        rows = {name: kernel.first_row for name, kernel in filters.items()}
        for block in capture.blocks(piece):
            for name, run in running.items():
                values = run(block @ up)
                row = rows[name] + np.arange(values.size)
                rows[name] += values.size
                settled = row >= filters[name].settled_row
                drawings[name].add(piece.start_time_s + row[settled] / rate_hz, values[settled])
    return Trace(capture.path.stem, {name: drawing.envelope() for name, drawing in drawings.items()})


class _Drawing:
    """An envelope in the making."""

    def __init__(self, end_s: float, worst_start_s: float, worst_end_s: float) -> None:
        self.step_s = end_s / BINS
        self.low, self.high = np.full(BINS, np.nan), np.full(BINS, np.nan)
        self.worst_start_s, self.worst_end_s = worst_start_s, worst_end_s
        self.worst: list[tuple[Array, Array]] = []

    def add(self, time_s: Array, values: Array) -> None:
        step = np.minimum((time_s / self.step_s).astype(int), BINS - 1)
        first = np.flatnonzero(np.diff(step, prepend=-1))
        within = step[first]
        if first.size:
            self.low[within] = np.fmin(self.low[within], np.minimum.reduceat(values, first))
            self.high[within] = np.fmax(self.high[within], np.maximum.reduceat(values, first))
        inside = (time_s >= self.worst_start_s) & (time_s < self.worst_end_s)
        self.worst.append((time_s[inside], values[inside]))

    def envelope(self) -> Envelope:
        times, values = (np.concatenate(part) for part in zip(*self.worst, strict=True))
        return Envelope(self.step_s, self.low, self.high, times, values)
