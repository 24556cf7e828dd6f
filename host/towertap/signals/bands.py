"""The bands of ride work, the third-octaves, and their band-pass filters.

The edges of the bands of ride work are common practice; no standard sets them. Third-octaves: base-ten mid-bands and
edges of IEC 61260-1, nominal names of ISO 266. They start at 5 Hz because a lower one settles more slowly (4 Hz:
3.54 s) than a steep edge at 4 Hz (3.30 s) and would move the windows of all metrics; `primary` covers what is below.
They meet class 1 up to a fifth of the rate; above that the lower skirt is shallower, and bands that the rate does not
carry are refused.
"""

import math
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.signals.filters import Band, Recursive, require_rate

Roots = tuple[NDArray[np.complex128], NDArray[np.complex128], float]
"""Zeros, poles and gain of a digital filter."""

BANDS: dict[str, Band] = {
    "primary": (0.5, 4.0),  # the body's own bounce, pitch and roll
    "secondary": (4.0, 25.0),  # felt shake, up to the wheel hop
    "harshness": (25.0, 100.0),  # felt impact
    "structure_borne": (100.0, 500.0),  # heard rather than felt
}
"""Band name → edges in Hz, at −3 dB."""

NOMINAL = (
    *("5", "6.3", "8", "10", "12.5", "16", "20", "25", "31.5", "40"),
    *("50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500"),
)
"""Nominal mid-band frequencies of the third-octaves in Hz, ISO 266."""
FIRST = -23
"""Number of the first one in the series of IEC 61260-1: tenths of a decade from 1 kHz."""

ORDER = 3
"""Poles per edge of a third-octave (18 dB per octave), and of an edge too low to be steep."""

STEEP_ORDER, RIPPLE_DB, FLOOR_DB = 7, 0.05, 60.0
"""A steep edge is elliptic. An engine line 1/8 beyond it is down by 24 dB (third order: 5 dB), so a line of 1.7 times
the band's own r.m.s. adds 1 % instead of 37 %. The order is odd, for a zero at 0 Hz that removes gravity. Two orders
more would settle too slowly at 4 Hz."""
LOWEST_STEEP_HZ = 4.0
"""Below this, a steep edge would take more than 3.5 s to settle; an edge there has ORDER poles."""
SKIRT = "down by 3 dB at an edge, 13 dB at 1.06, 24 dB at 1.12 and 49 dB at 1.25 times it (18 dB an octave below 4 Hz)"
"""What a steep edge does to frequencies beyond it."""


def edges_hz(nominal: str) -> Band:
    """Lower and upper edge of a third-octave: a twentieth of a decade from its mid-band."""
    tenths = FIRST + NOMINAL.index(nominal)
    return (1000 * 10 ** (tenths / 10 - 0.05), 1000 * 10 ** (tenths / 10 + 0.05))


@lru_cache
def design(band_hz: Band, rate_hz: float) -> Recursive:
    """Butterworth band-pass with −3 dB at both edges (Hz) at any rate; removes gravity and drift.

    Raises AnalysisError if the rate cannot carry the band.
    """
    require_rate(band_hz, rate_hz)
    return Recursive(scipy.signal.butter(ORDER, band_hz, "bandpass", fs=rate_hz, output="sos"))


@lru_cache
def steep(band_hz: Band, rate_hz: float) -> Recursive:
    """Band-pass with −3 dB at both edges (Hz) at any rate, and the skirts of SKIRT; removes gravity and drift.

    Raises AnalysisError if the rate cannot carry the band.
    """
    require_rate(band_hz, rate_hz)
    low, high = _edge(band_hz[0], "high", rate_hz), _edge(band_hz[1], "low", rate_hz)
    zeros, poles = np.hstack([low[0], high[0]]), np.hstack([low[1], high[1]])
    return Recursive(scipy.signal.zpk2sos(zeros, poles, low[2] * high[2]))  # one section fewer than edge by edge


def _edge(edge_hz: float, kind: str, rate_hz: float) -> Roots:
    """One edge; `kind` is the side that passes."""
    if edge_hz < LOWEST_STEEP_HZ:
        return scipy.signal.butter(ORDER, edge_hz, kind, fs=rate_hz, output="zpk")
    # scipy's edge is the end of the ripple, not −3 dB; the bilinear transform warps frequencies by the tangent.
    ripple_ends = _half_power() ** (1 if kind == "high" else -1) * math.tan(math.pi * edge_hz / rate_hz)
    end_hz = rate_hz / math.pi * math.atan(ripple_ends)
    return scipy.signal.ellip(STEEP_ORDER, RIPPLE_DB, FLOOR_DB, end_hz, kind, fs=rate_hz, output="zpk")


@lru_cache
def _half_power() -> float:
    """The −3 dB frequency of the steep low-pass, as a multiple of the end of its ripple."""
    zeros_poles_gain = scipy.signal.ellip(STEEP_ORDER, RIPPLE_DB, FLOOR_DB, 1.0, analog=True, output="zpk")

    def power(frequency: float) -> float:
        return float(np.abs(scipy.signal.freqs_zpk(*zeros_poles_gain, [frequency])[1][0]) ** 2)

    return float(scipy.optimize.brentq(lambda frequency: power(frequency) - 0.5, 1.0, 1.5))
