"""The frequency bands of ride work, and the band-pass that cuts them out.

The edges are common practice in ride and refinement work; no standard sets them.
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

ORDER = 3
"""Poles to each edge, 18 dB an octave: a third-octave filter's, a compromise of separation and settling time."""


@lru_cache
def design(band_hz: Band, rate_hz: float) -> Recursive:
    """Butterworth band-pass between two edges in Hz, −3 dB there at any rate; takes out gravity and drift.

    Raises AnalysisError when the rate cannot carry the band.
    """
    require_rate(band_hz, rate_hz)
    return Recursive(signal.butter(ORDER, band_hz, "bandpass", fs=rate_hz, output="sos"))
