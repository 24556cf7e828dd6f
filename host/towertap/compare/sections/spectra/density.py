"""Welch's density of signals that come in blocks, and its mean and spread over passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

SEGMENT_S = 2.0
"""Length of a segment: a resolution of 0.5 Hz, the lower end of primary ride."""


@dataclass(frozen=True, eq=False)
class Density:
    """Density over frequency of one side's passes over one road, (n,) each, in the signal's unit squared per hertz."""

    frequency_hz: NDArray[np.float64]
    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    passes: int


class WelchSum:
    """Welch's one-sided density (Hann, half overlap, segment means removed) of a signal fed in blocks.

    Over one unbroken signal it equals `scipy.signal.welch`; a gap starts a new piece, and no segment lies across it.
    """

    def __init__(self, rate_hz: float, segment_s: float = SEGMENT_S) -> None:
        self.rate_hz, self.segment = rate_hz, round(segment_s * rate_hz)
        self._sum, self._count = np.zeros(self.segment // 2 + 1), 0
        self._rest: NDArray[np.float64] = np.empty(0)

    def gap(self) -> None:
        """End the piece: what is left of it is shorter than a segment and is dropped."""
        self._rest = np.empty(0)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Add a block (n,) of the piece."""
        samples = np.concatenate([self._rest, block])
        hop = self.segment - self.segment // 2
        segments = max(0, (samples.size - self.segment) // hop + 1)
        if segments:
            used = samples[: (segments - 1) * hop + self.segment]
            self._sum += segments * signal.welch(used, self.rate_hz, nperseg=self.segment)[1]
            self._count += segments
        self._rest = samples[segments * hop :]

    def result(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Frequencies in Hz and density, (n,) each; not a number where no piece was as long as a segment."""
        density = self._sum / self._count if self._count else np.full_like(self._sum, np.nan)
        return np.asarray(np.fft.rfftfreq(self.segment, 1 / self.rate_hz), np.float64), density


def over_passes(spectra: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]], top_hz: float) -> Density | None:
    """Mean, smallest and largest density over passes, up to `top_hz`; None when no pass has one.

    The passes' frequencies differ by the parts per million of their rates; the first pass's stand for all.
    """
    whole = [(frequency, density) for frequency, density in spectra if np.isfinite(density).all()]
    if not whole:
        return None
    bins = min(int(np.searchsorted(frequency, top_hz, side="right")) for frequency, _ in whole)
    stack = np.stack([density[1:bins] for _, density in whole])
    return Density(whole[0][0][1:bins], stack.mean(axis=0), stack.min(axis=0), stack.max(axis=0), len(whole))


def in_fractions_of_octave(density: Density, fraction: int) -> Density:
    """The same density in means over 1/fraction octave, for drawing; where lines lie wider apart they stay."""
    group = np.round(fraction * np.log2(density.frequency_hz))
    starts = np.flatnonzero(np.diff(group, prepend=-np.inf))
    sizes = np.diff(starts, append=group.size)

    def means(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.add.reduceat(values, starts) / sizes

    return Density(
        frequency_hz=means(density.frequency_hz),
        mean=means(density.mean),
        low=means(density.low),
        high=means(density.high),
        passes=density.passes,
    )
