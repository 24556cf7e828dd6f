"""The smallest and largest acceleration of a capture in each step of time, for drawing."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.capture.reading import Capture
from towertap.signals import bands
from towertap.signals.filters import CARRIED

Array = NDArray[np.float64]

STEPS = 600
LOWEST_HZ, HIGHEST_HZ = 0.5, 500.0
"""Gravity and drift are below. A low sample rate lowers the upper end."""


@dataclass(frozen=True, eq=False)
class Envelope:
    """Smallest and largest value in each step of `step_s`, (STEPS,); NaN in a gap."""

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
            firsts = np.flatnonzero(np.diff(step, prepend=-1))
            if firsts.size:
                steps = step[firsts]
                low[steps] = np.fmin(low[steps], np.minimum.reduceat(values, firsts))
                high[steps] = np.fmax(high[steps], np.maximum.reduceat(values, firsts))
    return Envelope(step_s, low, high)
