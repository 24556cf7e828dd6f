"""The bands of ride work, the third-octaves, and the band-pass that cuts them out.

The edges of the bands of ride work are common practice; no standard sets them. Third-octaves: base-ten mid-bands and
edges of IEC 61260-1, nominal names of ISO 266. They start at 5 Hz because a lower one settles slower (4 Hz: 3.54 s)
than `primary` (3.49 s), and so would move the windows of every metric that it is computed with; `primary` stands for
what is below. Their attenuation is that of class 1 up to a fifth of the rate; above it the skirt towards low
frequencies is shallower, and what the rate does not carry is refused.
"""

from __future__ import annotations

from functools import lru_cache

from scipy import signal

from towertap.signals.filters import Band, Recursive, require_rate

BANDS: dict[str, Band] = {
    "primary": (0.5, 4.0),  # the body's own bounce, pitch and roll
    "secondary": (4.0, 25.0),  # felt shake, up to the wheel hop
    "harshness": (25.0, 100.0),  # felt impact
    "structure_borne": (100.0, 500.0),  # heard rather than felt
}
"""Band name → edges in Hz, where the response is down by 3 dB."""

NOMINAL = (
    *("5", "6.3", "8", "10", "12.5", "16", "20", "25", "31.5", "40"),
    *("50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500"),
)
"""Nominal mid-band frequencies of the third-octaves in Hz, ISO 266."""
FIRST = -23
"""The first one's place in the series of IEC 61260-1: tenths of a decade from 1 kHz."""

ORDER = 3
"""Poles to each edge, 18 dB an octave: a third-octave filter's, a compromise of separation and settling time."""


def edges_hz(nominal: str) -> Band:
    """Lower and upper edge of a third-octave by its nominal name: a twentieth of a decade from its mid-band."""
    tenths = FIRST + NOMINAL.index(nominal)
    return (1000 * 10 ** (tenths / 10 - 0.05), 1000 * 10 ** (tenths / 10 + 0.05))


@lru_cache
def design(band_hz: Band, rate_hz: float) -> Recursive:
    """Butterworth band-pass between two edges in Hz, −3 dB there at any rate; takes out gravity and drift.

    Raises AnalysisError when the rate cannot carry the band.
    """
    require_rate(band_hz, rate_hz)
    return Recursive(signal.butter(ORDER, band_hz, "bandpass", fs=rate_hz, output="sos"))
