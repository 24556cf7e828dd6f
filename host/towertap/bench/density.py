"""Noise density of a sensor at rest with its confidence limits, and the tones that stand out of it, by name."""

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
LOWEST_HZ = 5.0
"""Below, a room's own sway and the sensor's slow noise make lines that are no tones."""
FALSE_ALARM = 1e-3
"""Chance that a recording of pure noise shows any tone."""
NEIGHBOURS = 81
"""Lines whose median is the noise round a tone."""
SKIRT = 2
"""Lines to either side into which the window smears a tone."""
MAINS_HZ = (50.0, 60.0)
TOLERANCE = 0.004
"""Mains frequency varies by some 0.2 %, and a chip's rate is known much better than that."""


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


@dataclass(frozen=True, eq=False)
class Tone:
    """A tone, its r.m.s. on each axis (3,) in the signal's unit, and what it probably is."""

    frequency_hz: float
    rms: Array
    name: str


def find_tones(spectrum: Spectrum, top_hz: float) -> tuple[list[Tone], NDArray[np.bool_]]:
    """The tones between LOWEST_HZ and `top_hz` in order, and the lines (n,) that they spoil."""
    floor = scipy.ndimage.median_filter(spectrum.density, size=(NEIGHBOURS, 1), mode="nearest")
    freedom = spectrum.freedom()
    looked_at = (spectrum.frequency_hz >= LOWEST_HZ) & (spectrum.frequency_hz <= top_hz)
    # The floor is a median of few lines; a tenth on top keeps its own scatter from raising alarms.
    limit = 1.1 * scipy.stats.chi2.isf(FALSE_ALARM / (3 * looked_at.sum()), freedom) / scipy.stats.chi2.median(freedom)
    stands_out = (spectrum.density > limit * floor).any(axis=1) & looked_at
    spoilt = scipy.ndimage.binary_dilation(stands_out, iterations=SKIRT)
    labels, count = scipy.ndimage.label(spoilt)
    frequencies_hz, levels = [], []
    for number in range(1, count + 1):
        lines = labels == number
        excess = np.maximum(spectrum.density[lines] - floor[lines], 0)
        weight = excess.sum(axis=1)
        frequencies_hz.append(float(weight @ spectrum.frequency_hz[lines] / weight.sum()))
        levels.append(np.sqrt(excess.sum(axis=0) * spectrum.line_hz))
    names = _names(frequencies_hz, spectrum.line_hz)
    return [Tone(*tone) for tone in zip(frequencies_hz, levels, names, strict=True)], spoilt


def _names(frequencies_hz: list[float], line_hz: float) -> list[str]:
    """A name for each; the mains is the one with more members, since 300 Hz is a harmonic of both."""
    members = {mains: [_order(f, mains, line_hz) for f in frequencies_hz] for mains in MAINS_HZ}
    mains = max(MAINS_HZ, key=lambda mains: sum(order > 0 for order in members[mains]))
    names: list[str] = []
    machines: list[float] = []
    for frequency_hz, order in zip(frequencies_hz, members[mains], strict=True):
        if order == 1:
            names.append(f"mains {mains:g} Hz")
        elif order:
            names.append(f"mains {mains:g} Hz, harmonic {order}")
        elif base := next((f for f in machines if _order(frequency_hz, f, line_hz)), None):
            names.append(f"harmonic {_order(frequency_hz, base, line_hz)} of {base:.2f} Hz")
        else:
            machines.append(frequency_hz)
            names.append(f"not mains; a fan, pump or motor at {60 * frequency_hz:.0f} rpm or a part of it")
    return names


def _order(frequency_hz: float, base_hz: float, line_hz: float) -> int:
    """Which harmonic of a base frequency another is; 0 for none."""
    order = round(frequency_hz / base_hz)
    near = abs(frequency_hz - order * base_hz) <= max(TOLERANCE * frequency_hz, line_hz / 2)
    return order if near else 0
