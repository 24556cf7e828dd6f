"""What is drawn of a capture over time: the smallest and largest acceleration in each step."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.capture.reading import Capture
from towertap.signals import bands
from towertap.signals.filters import CARRIED

Array = NDArray[np.float64]

STEPS = 600
"""Whatever the length of the recording."""
LOWEST_HZ, HIGHEST_HZ = 0.5, 500.0
"""Gravity and drift are below, and the rate may carry less than the upper end."""


@dataclass(frozen=True, eq=False)
class Envelope:
    """Smallest and largest value in each step, (STEPS,), NaN within a gap; a step is `step_s` long."""

    step_s: float
    low: Array
    high: Array


def envelope(capture: Capture, direction: Array) -> Envelope:
    """Acceleration in m/s² along `direction` (3,) in chip axes."""
    rate_hz, pieces = capture.rate_hz, capture.pieces()
    kernel = bands.design((LOWEST_HZ, min(HIGHEST_HZ, CARRIED * rate_hz)), rate_hz)
    step_s = (pieces[-1].start_time_s + pieces[-1].n_rows / rate_hz) / STEPS
    low, high = np.full(STEPS, np.nan), np.full(STEPS, np.nan)
    for piece in pieces:
        run, next_row = kernel.start(), kernel.first_row
        for block in capture.blocks(piece):
            values = run(block @ direction)
            row = next_row + np.arange(values.size)
            next_row += values.size
            settled = row >= kernel.settled_row
            values, time_s = values[settled], piece.start_time_s + row[settled] / rate_hz
            step = np.minimum((time_s / step_s).astype(int), STEPS - 1)
            first = np.flatnonzero(np.diff(step, prepend=-1))
            if first.size:
                within = step[first]
                low[within] = np.fmin(low[within], np.minimum.reduceat(values, first))
                high[within] = np.fmax(high[within], np.maximum.reduceat(values, first))
    return Envelope(step_s, low, high)
