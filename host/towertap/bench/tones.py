"""Finds the tones that stand out of a sensor's noise, and names them: mains, or a machine with its speed."""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.bench.density import Spectrum

Array = NDArray[np.float64]

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
class Tone:
    """A tone, its r.m.s. on each axis (3,) in the signal's unit, and what it probably is."""

    frequency_hz: float
    rms: Array
    name: str


def find(spectrum: Spectrum, top_hz: float) -> tuple[list[Tone], NDArray[np.bool_]]:
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
