"""Signals at the rates that their filters need: each stage halves the rate, with a stated error.

An equiripple low-pass precedes every halving. Up to FLAT of the new rate it changes amplitudes by less than 2e-5, and
what aliases into that band is 95 dB down.
"""

from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.signals.fir import Single, filtered, product_of

FLAT = 0.3
"""A halved signal is unchanged up to this fraction of its rate."""
LOWEST_RATE_HZ = 400.0
"""Signals are not halved below this rate, so a window of 0.1 s has at least 40 rows."""

LENGTH = 27
LEAD = LENGTH // 2


def taps() -> NDArray[np.float64]:
    """The low-pass, (LENGTH,)."""
    return scipy.signal.remez(LENGTH, [0.0, FLAT, 1 - FLAT, 1.0], [1.0, 0.0], fs=2.0)


@cache
def _product() -> Single:
    return product_of(taps(), 2)


def halvings(carry_hz: float, rate_hz: float) -> int:
    """How often a rate may be halved if it must carry frequencies up to `carry_hz`."""
    times = 0
    while FLAT * rate_hz / 2 >= carry_hz and rate_hz / 2 >= LOWEST_RATE_HZ:
        rate_hz, times = rate_hz / 2, times + 1
    return times


class Halving:
    """One stage, for one piece of several signals. Output row m lies at input row 2 m.

    It starts at rest on the first sample; half a filter is lost at the end.
    """

    def __init__(self) -> None:
        self._pending: Single | None = None

    def __call__(self, block: NDArray[np.floating]) -> Single:
        """Output rows (signals, m) that the next rows (signals, n) complete."""
        before = np.repeat(block[:, :1], LEAD, axis=1) if self._pending is None else self._pending
        rows = np.concatenate([before, block], axis=1, dtype=np.float32)
        if not rows.shape[1]:
            return rows
        output = filtered(rows, _product(), 2)
        self._pending = rows[:, 2 * output.shape[1] :]
        return output
