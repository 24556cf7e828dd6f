"""Transfer function and coherence from one signal to another by Welch's method, with the effect of chance on both.

Overlapping segments are correlated, so everything uses the equivalent number of independent `averages`. Formulae: Welch
1967, doi:10.1109/TAU.1967.1161901; Bendat and Piersol, Random Data, chapter 9, from memory.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.signals.filters import Array
from towertap.signals.spectra import WelchSum

SEGMENT_S = 2.0
"""Length of a segment: lines 0.5 Hz apart, two in the third of an octave at 5 Hz."""
PAIRS = ((0, 0), (1, 1), (0, 1))
"""Input with itself, output with itself, input with output."""
CHANCE = 0.05
"""How often signals with nothing in common exceed the chance coherence."""
NEIGHBOURS = 1 / 36
"""Squared correlation of two Hann segments that overlap by half (Welch 1967)."""
LEAKAGE = (4 / 9, 1 / 36)
"""Squared correlation of a Hann spectrum's line with the next and the next but one."""


@dataclass(frozen=True, eq=False)
class Spectra:
    """Two signals' densities (n,) over frequency, their cross-spectrum, and the number of independent averages.

    `xx` and `yy` are one-sided, in units squared per hertz; `xy` is the mean of conj(X)·Y, in the product of the units
    per hertz. With 0 averages they are NaN. A delay of the output makes |xy| too small, by the Hann window's
    autocorrelation: 0.07 % for 1/100 of a segment, 1.6 % for 1/20.
    """

    frequency_hz: Array
    xx: Array
    yy: Array
    xy: NDArray[np.complex128]
    averages: float

    @property
    def coherence(self) -> Array:
        """Ordinary coherence γ² (n,), the share of the output's power that follows the input linearly; 0 to 1."""
        return np.abs(self.xy) ** 2 / (self.xx * self.yy)


@dataclass(frozen=True, eq=False)
class InBands:
    """Transfer within bands, (n,) each; NaN in a band without a line.

    `gain` is the r.m.s. of the output that follows the input over the input's r.m.s., `coherence` its share of the
    output's power; both 0 if none does. `chance` is the coherence that chance exceeds 1 time in 20.
    """

    gain: Array
    coherence: Array
    chance: Array


def chance_coherence(averages: float, lines: float = 1.0) -> float:
    """The coherence, a mean over independent `lines`, that signals with nothing in common exceed 1 time in 20.

    One line's coherence is then Beta(1, n − 1), which gives 1 − 0.05^(1 / (n − 1)) (Bendat and Piersol). The mean of
    several is approximated by the Beta variable of the same mean and variance.
    """
    if averages <= 1:
        return 1.0
    size = (averages + 1) * lines - 1
    return float(scipy.special.betaincinv(size / averages, size * (1 - 1 / averages), 1 - CHANCE))


def in_bands(spectra: Spectra, edges_hz: Array) -> InBands:
    """Transfer within bands whose lower and upper edges are `edges_hz` (n, 2).

    The power that follows the input is summed line by line. Summing the cross-spectrum first would mistake a phase that
    turns within the band, as at any resonance, for lack of coherence. Chance makes each line's coherence too large by
    (1 − γ²) / (n − 1), which is subtracted, as from a regression's R².
    """
    freedom = max(spectra.averages - 1, 1e-9)
    following = (spectra.coherence - (1 - spectra.coherence) / freedom) * spectra.yy
    bands = [_in_band(spectra, following, freedom, *edges) for edges in edges_hz]
    return InBands(*np.array(bands).reshape(-1, 3).T)


def _in_band(
    spectra: Spectra, following: Array, freedom: float, low_hz: float, high_hz: float
) -> tuple[float, float, float]:
    inside = (spectra.frequency_hz >= low_hz) & (spectra.frequency_hz < high_hz)
    lines = int(inside.sum())
    if not lines or spectra.averages <= 1:
        return np.nan, np.nan, np.nan
    power = max(0.0, following[inside].sum())
    correlation = 1 + 2 * sum((1 - k / lines) * c for k, c in enumerate(LEAKAGE, start=1) if k < lines)
    raw = chance_coherence(spectra.averages, lines / correlation)
    return (
        float(np.sqrt(power / spectra.xx[inside].sum())),
        float(power / spectra.yy[inside].sum()),
        raw - (1 - raw) / freedom,
    )


def spectra_of(welch: WelchSum) -> Spectra:
    """The spectra of input and output from a Welch sum over PAIRS."""
    xx, yy, xy = welch.densities
    averages = welch.segments**2 / (welch.segments + 2 * NEIGHBOURS * welch.touching) if welch.segments else 0.0
    return Spectra(welch.frequency_hz, xx.real, yy.real, xy, averages)
