"""Filters that run over a stream of blocks, and the row from which their output is valid.

A filter is a design without state. `start()` returns a function that takes the blocks (n,) of one contiguous piece in
order and returns the output (m,) that they complete, so nothing is carried across a gap. The first output value
belongs to row `first_row` of the piece; output is valid from `settled_row`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.fir import filtered, product_of

Array = NDArray[np.float64]
Band = tuple[float, float]

CARRIED = 0.4
"""A band may reach up to this fraction of the sampling rate; the chip's anti-alias filter takes the rest."""

SETTLED = 0.01
"""A recursive filter has settled when its slowest pole has decayed to this fraction."""


@dataclass(frozen=True, eq=False)
class Recursive:
    """Second-order sections (n, 6). They start at rest on the first sample, so gravity causes no transient."""

    sos: Array

    first_row = 0

    @cached_property
    def settled_row(self) -> int:
        """Rows until the slowest pole has decayed to SETTLED."""
        slowest = max(np.abs(np.roots(section[3:])).max() for section in self.sos)
        return math.ceil(math.log(SETTLED) / math.log(slowest))

    @cached_property
    def _at_rest(self) -> Array:
        """The state after a constant input of 1."""
        return scipy.signal.sosfilt_zi(self.sos)

    def start(self) -> Callable[[NDArray[np.floating]], Array]:
        """Run over one piece; every block gives one value per row."""
        state: Array | None = None

        def run(block: NDArray[np.floating]) -> Array:
            nonlocal state
            if not block.size:
                return block.astype(np.float64)
            state = self._at_rest * block[0] if state is None else state
            output, state = scipy.signal.sosfilt(self.sos, block, zi=state)
            return output

        return run


@dataclass(frozen=True, eq=False)
class Symmetric:
    """A linear-phase FIR filter of odd length, (2h + 1,). Output is aligned with input, h rows short at each end."""

    taps: Array

    @property
    def first_row(self) -> int:
        """The first row with half a filter on either side."""
        return self.taps.size // 2

    settled_row = first_row

    def start(self) -> Callable[[NDArray[np.floating]], Array]:
        """Run over one piece; output comes half a filter after its row."""
        product = product_of(self.taps[::-1])
        pending = np.empty(0, np.float32)

        def run(block: NDArray[np.floating]) -> Array:
            nonlocal pending
            rows = np.concatenate([pending, block], dtype=np.float32)
            output = filtered(rows[None], product)[0]
            pending = rows[output.size :]
            return output.astype(np.float64)

        return run


Filter = Recursive | Symmetric


def require_rate(band_hz: Band, rate_hz: float) -> None:
    """Raise AnalysisError if `rate_hz` is too low to carry `band_hz`."""
    _, high = band_hz
    if high > CARRIED * rate_hz:
        raise AnalysisError(
            f"a band up to {high:g} Hz needs a rate of {high / CARRIED:g} Hz or more, this one is {rate_hz:.6g} Hz"
        )
