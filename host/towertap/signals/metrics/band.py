"""Acceleration in one of the bands of ride work, r.m.s.; a band that the rate does not carry is left out."""

from __future__ import annotations

from towertap.signals import bands
from towertap.signals.metrics._metric import DIRECTIONS, Metric, rms

WORDS = {
    "primary": "primary ride",
    "secondary": "secondary ride",
    "harshness": "harshness",
    "structure_borne": "structure-borne vibration",
}


def band(name: str, axis: str) -> Metric:
    """The metric `NAME_AXIS` for a band of `bands.BANDS`."""
    return Metric(
        name=f"{name}_{axis}",
        label=f"{DIRECTIONS[axis]} {WORDS[name]}",
        unit="m/s²",
        axis=axis,
        band_hz=lambda settings: bands.BANDS[name],
        make_filter=bands.design,
        figure=rms,
    )
