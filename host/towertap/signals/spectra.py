"""Welch's method for signals in blocks: densities, and cross-spectra of pairs."""

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.signals.filters import Array


class WelchSum:
    """One-sided Welch densities (Hann, half overlap, segment means removed) of signals fed in blocks.

    `pairs` are indices of two signals each, whose conj(X)·Y is averaged; a signal paired with itself gives its density.
    Results equal `scipy.signal.csd` for unbroken signals. Segments with NaN in any signal are left out, and none spans
    a gap.
    """

    def __init__(self, rate_hz: float, segment_s: float, pairs: Sequence[tuple[int, int]] = ((0, 0),)) -> None:
        self.rate_hz, self.segment_rows, self.pairs = rate_hz, round(segment_s * rate_hz), pairs
        self.segments = self.touching = 0
        """Segments so far, and how many of them overlap the one before."""
        self._hop = self.segment_rows - self.segment_rows // 2
        self._window = scipy.signal.get_window("hann", self.segment_rows)
        self._sums = np.zeros((len(pairs), self.segment_rows // 2 + 1), complex)
        self.gap()

    def gap(self) -> None:
        """End the piece; a rest shorter than a segment is dropped."""
        self._pending: Array | None = None
        self._last_used = False

    def feed(self, block: Array) -> None:
        """Add the piece's next block, (signals, n)."""
        rows = block if self._pending is None else np.concatenate([self._pending, block], axis=1)
        count = max(0, (rows.shape[1] - self.segment_rows) // self._hop + 1)
        self._pending = rows[:, count * self._hop :]
        if not count:
            return
        segments = np.lib.stride_tricks.sliding_window_view(rows, self.segment_rows, axis=1)[:, :: self._hop]
        used = np.isfinite(segments).all(axis=(0, 2))
        self.segments += int(used.sum())
        self.touching += int((used & np.append(self._last_used, used[:-1])).sum())
        self._last_used = bool(used[-1])
        segments = segments[:, used]
        spectra = np.fft.rfft((segments - segments.mean(axis=2, keepdims=True)) * self._window)
        self._sums += [np.einsum("sf,sf->f", spectra[i].conj(), spectra[j]) for i, j in self.pairs]

    @property
    def frequency_hz(self) -> Array:
        """The lines (n,)."""
        return np.arange(self._sums.shape[1]) * self.rate_hz / self.segment_rows

    @property
    def densities(self) -> NDArray[np.complex128]:
        """One row per pair, (pairs, n), in the product of the units per hertz; NaN without a segment."""
        if not self.segments:
            return np.full_like(self._sums, np.nan)
        sided = np.full(self._sums.shape[1], 2.0)
        sided[[0] if self.segment_rows % 2 else [0, -1]] = 1.0
        return self._sums * sided / (self.rate_hz * (self._window**2).sum() * self.segments)
