"""Noise density of a sensor at rest, with confidence limits from the degrees of freedom of Welch's estimate."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.spectra import WelchSum

Array = NDArray[np.float64]
Rows = Callable[[int, int], Array]
"""Gives the rows [start, stop) of a recording, (n, 3)."""

SEGMENT_S = 4.0
"""Length of a segment: lines a quarter of a hertz apart tell a fan from the mains."""

FEWEST_SEGMENTS = 5
BLOCK_ROWS = 65536
CONFIDENCE = 0.95


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Welch's one-sided density (Hann, half overlap, segment means removed) of three axes, (n, 3) in unit²/Hz."""

    frequency_hz: Array
    density: Array
    segments: int
    segment_rows: int

    @property
    def line_hz(self) -> float:
        """Distance of the lines."""
        return float(self.frequency_hz[1])

    def freedom(self, lines: int = 1) -> float:
        """Equivalent degrees of freedom of the mean over so many neighbouring lines.

        Segments overlap and the window smears each line over its neighbours, so lines are fewer than they look:
        Welch 1967, carried over to means over lines by the same sum over all pairs.
        """
        window, hop = scipy.signal.get_window("hann", self.segment_rows), self.segment_rows - self.segment_rows // 2
        total = 0.0
        for lag, rows in ((0, 0), (1, hop)):
            product = window[rows:] * window[: self.segment_rows - rows] / (window @ window)
            turns = np.exp(2j * np.pi * np.outer(np.arange(4), np.arange(product.size)) / self.segment_rows)
            alike = np.abs(turns @ product) ** 2  # of lines 0 to 3 apart
            apart = np.maximum(1 - np.arange(4) / lines, 0)
            share = max(1 - lag / self.segments, 0) * (2 if lag else 1)
            total += share * float(alike @ (apart * [1, 2, 2, 2]))
        return 2 * self.segments * lines / total


@dataclass(frozen=True, eq=False)
class NoiseDensity:
    """Noise density of each axis, (3,) in unit/√Hz, with limits at CONFIDENCE, from the band and lines given."""

    value: Array
    low: Array
    high: Array
    band_hz: tuple[float, float]
    freedom: float


def spectrum(rows: Rows, n_rows: int, rate_hz: float) -> Spectrum:
    """Welch's density of `n_rows` rows, read in parts; AnalysisError when they are too few."""
    length = round(SEGMENT_S * rate_hz)
    hop = length - length // 2
    segments = (n_rows - length) // hop + 1 if n_rows >= length else 0
    if segments < FEWEST_SEGMENTS:
        needed = SEGMENT_S + (FEWEST_SEGMENTS - 1) * hop / rate_hz
        raise AnalysisError(
            f"{n_rows / rate_hz:.1f} s without a gap are too short for a noise density: record {needed:.0f} s or more"
        )
    welch = WelchSum(rate_hz, SEGMENT_S, [(axis, axis) for axis in range(3)])
    for start in range(0, n_rows, BLOCK_ROWS):
        welch.feed(rows(start, min(start + BLOCK_ROWS, n_rows)).T)
    return Spectrum(welch.frequency_hz, welch.densities.real.T, welch.segments, welch.segment_rows)


def white_density(spectrum: Spectrum, band_hz: tuple[float, float], leave_out: NDArray[np.bool_]) -> NoiseDensity:
    """The density of white noise in a band where the recording is flat, without the lines that are marked (n,)."""
    inside = (spectrum.frequency_hz >= band_hz[0]) & (spectrum.frequency_hz <= band_hz[1]) & ~leave_out
    lines = int(inside.sum())
    if lines == 0:
        raise AnalysisError(f"no clean line between {band_hz[0]:g} and {band_hz[1]:g} Hz: find a quieter place")
    power, freedom, tail = spectrum.density[inside].mean(axis=0), spectrum.freedom(lines), (1 - CONFIDENCE) / 2
    return NoiseDensity(
        np.sqrt(power),
        np.sqrt(power * freedom / scipy.stats.chi2.isf(tail, freedom)),
        np.sqrt(power * freedom / scipy.stats.chi2.ppf(tail, freedom)),
        band_hz,
        freedom,
    )
