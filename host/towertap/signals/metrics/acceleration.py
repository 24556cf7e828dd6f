"""Acceleration, r.m.s.: all that the rate carries, from 0.5 to 500 Hz."""

from __future__ import annotations

from towertap.signals import bands
from towertap.signals.filters import CARRIED, Band
from towertap.signals.metrics._metric import DIRECTIONS, Metric, Settings, rms


def acceleration(axis: str) -> Metric:
    """The metric `acceleration_AXIS`."""
    return Metric(
        name=f"acceleration_{axis}",
        label=f"{DIRECTIONS[axis]} acceleration",
        unit="m/s²",
        axis=axis,
        band_hz=_carried,
        make_filter=bands.design,
        figure=rms,
    )


def _carried(settings: Settings) -> Band:
    return (0.5, min(500.0, CARRIED * settings.rate_hz))
