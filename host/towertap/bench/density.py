"""Noise density of a sensor at rest with its confidence limits, and the tones that stand out of it, by name."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.spectra import WelchSum

Array = NDArray[np.float64]

SEGMENT_S = 4.0
"""Length of a segment. Lines 0.25 Hz apart separate a fan from the mains."""

FEWEST_SEGMENTS = 5
CONFIDENCE = 0.95
LOWEST_HZ = 5.0
"""Below, sway of the room and slow noise of the sensor make lines that are not tones."""
FALSE_ALARM = 1e-3
"""Chance that a recording of pure noise shows any tone."""
NEIGHBOURS = 81
"""Lines whose median is the noise around a tone."""
SKIRT = 2
"""Lines on either side into which the window smears a tone."""
MAINS_HZ = (50.0, 60.0)
TOLERANCE = 0.004
"""Mains frequency varies by about 0.2 %; a chip's rate is known much better."""


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Welch's one-sided density (Hann, half overlap, segment means removed) of three axes, (n, 3) in unit²/Hz."""

    frequency_hz: Array
    density: Array
    segments: int
    segment_rows: int

    @property
    def line_hz(self) -> float:
        """Spacing of the lines."""
        return float(self.frequency_hz[1])

    def freedom(self, lines: int = 1) -> float:
        """Equivalent degrees of freedom of the mean over this many neighbouring lines.

        Overlapping segments and neighbouring lines are correlated. Welch (1967) sums over all pairs of segments; this
        sums over all pairs of lines as well.
        """
        window, hop = scipy.signal.get_window("hann", self.segment_rows), self.segment_rows - self.segment_rows // 2
        total = 0.0
        for lag, rows in ((0, 0), (1, hop)):
            overlap = window[rows:] * window[: self.segment_rows - rows] / (window @ window)
            correlation = np.abs(np.fft.rfft(overlap, self.segment_rows)[:4]) ** 2  # squared, of lines 0 to 3 apart
            pairs = np.maximum(1 - np.arange(4) / lines, 0) * [1, 2, 2, 2]
            total += max(1 - lag / self.segments, 0) * (2 if lag else 1) * float(correlation @ pairs)
        return 2 * self.segments * lines / total


@dataclass(frozen=True, eq=False)
class NoiseDensity:
    """Noise density of each axis in a band, (3,) in unit/√Hz, with limits at CONFIDENCE."""

    value: Array
    low: Array
    high: Array
    band_hz: tuple[float, float]
    freedom: float


def spectrum(blocks: Iterable[Array], rate_hz: float) -> Spectrum:
    """Welch's density of a recording in blocks (n, 3); AnalysisError if it is too short."""
    welch = WelchSum(rate_hz, SEGMENT_S, [(axis, axis) for axis in range(3)])
    n_rows = 0
    for block in blocks:
        welch.feed(block.T)
        n_rows += len(block)
    if welch.segments < FEWEST_SEGMENTS:
        needed_s = SEGMENT_S * (FEWEST_SEGMENTS + 1) / 2
        raise AnalysisError(
            f"{n_rows / rate_hz:.1f} s without a gap are too short for a noise density: record {needed_s:.0f} s or more"
        )
    return Spectrum(welch.frequency_hz, welch.densities.real.T, welch.segments, welch.segment_rows)


def white_density(spectrum: Spectrum, band_hz: tuple[float, float], leave_out: NDArray[np.bool_]) -> NoiseDensity:
    """The density of white noise in a band where the spectrum is flat, without the lines `leave_out` (n,)."""
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
    """A tone, its r.m.s. on each axis (3,) in the signal's unit, and its probable source."""

    frequency_hz: float
    rms: Array
    name: str


def find_tones(spectrum: Spectrum, top_hz: float) -> tuple[list[Tone], NDArray[np.bool_]]:
    """The tones between LOWEST_HZ and `top_hz`, by frequency, and a mask (n,) of the lines that they spoil."""
    floor = scipy.ndimage.median_filter(spectrum.density, size=(NEIGHBOURS, 1), mode="nearest")
    freedom = spectrum.freedom()
    inside = (spectrum.frequency_hz >= LOWEST_HZ) & (spectrum.frequency_hz <= top_hz)
    # The floor is a median of few lines; 10 % extra keeps its scatter from raising alarms.
    limit = 1.1 * scipy.stats.chi2.isf(FALSE_ALARM / (3 * inside.sum()), freedom) / scipy.stats.chi2.median(freedom)
    stands_out = (spectrum.density > limit * floor).any(axis=1) & inside
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
    """A name for each tone. The mains is the one with more harmonics, because 300 Hz belongs to both."""
    orders = {mains: [_order(f, mains, line_hz) for f in frequencies_hz] for mains in MAINS_HZ}
    mains = max(MAINS_HZ, key=lambda mains: np.count_nonzero(orders[mains]))
    names: list[str] = []
    machines_hz: list[float] = []
    for frequency_hz, order in zip(frequencies_hz, orders[mains], strict=True):
        if order == 1:
            names.append(f"mains {mains:g} Hz")
        elif order:
            names.append(f"mains {mains:g} Hz, harmonic {order}")
        elif base_hz := next((f for f in machines_hz if _order(frequency_hz, f, line_hz)), None):
            names.append(f"harmonic {_order(frequency_hz, base_hz, line_hz)} of {base_hz:.2f} Hz")
        else:
            machines_hz.append(frequency_hz)
            names.append(f"not mains; a fan, pump or motor at {60 * frequency_hz:.0f} rpm or a part of it")
    return names


def _order(frequency_hz: float, base_hz: float, line_hz: float) -> int:
    """Which harmonic of `base_hz` a frequency is; 0 if it is none."""
    order = round(frequency_hz / base_hz)
    near = abs(frequency_hz - order * base_hz) <= max(TOLERANCE * frequency_hz, line_hz / 2)
    return order if near else 0
