"""Acceleration in one third-octave, r.m.s.: finer than the bands of ride work, to see where in frequency a change lies.

Base-ten mid-bands and edges of IEC 61260-1, nominal names of ISO 266. They start at 5 Hz because a lower one settles
slower (4 Hz: 3.54 s) than `primary` (3.49 s), and so would move the windows of every metric that it is computed with;
`primary` stands for what is below. The attenuation is that of class 1 up to a fifth of the rate; above it the skirt
towards low frequencies is shallower, and what the rate does not carry is left out.
"""

from __future__ import annotations

from towertap.signals import bands
from towertap.signals.filters import Band
from towertap.signals.metrics._metric import DIRECTIONS, Metric, rms

NOMINAL = (
    *("5", "6.3", "8", "10", "12.5", "16", "20", "25", "31.5", "40"),
    *("50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500"),
)
"""Nominal mid-band frequencies in Hz, ISO 266."""
FIRST = -23
"""The first one's place in the series of IEC 61260-1: tenths of a decade from 1 kHz."""


def edges_hz(nominal: str) -> Band:
    """Lower and upper edge of a third-octave by its nominal name: a twentieth of a decade from its mid-band."""
    tenths = FIRST + NOMINAL.index(nominal)
    return (1000 * 10 ** (tenths / 10 - 0.05), 1000 * 10 ** (tenths / 10 + 0.05))


def third(nominal: str, axis: str) -> Metric:
    """The metric `third_NOMINAL_AXIS`."""
    return Metric(
        name=f"third_{nominal}_{axis}",
        label=f"{DIRECTIONS[axis]} acceleration, third-octave of {nominal} Hz",
        unit="m/s²",
        axis=axis,
        band_hz=lambda settings: edges_hz(nominal),
        make_filter=bands.design,
        figure=rms,
    )
