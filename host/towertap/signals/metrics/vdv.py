"""Vibration dose value of the weighted acceleration, ISO 2631-1 clause 6.3.2; it grows with time driven."""

from __future__ import annotations

from dataclasses import replace

from towertap.signals.filters import Array
from towertap.signals.metrics._metric import Metric
from towertap.signals.metrics.weighted import weighted
from towertap.signals.stream import Windows


def vdv(axis: str) -> Metric:
    """The metric `vdv_AXIS`."""
    base = weighted(axis)
    return replace(base, name=f"vdv_{axis}", label=f"vibration dose, {base.label}", unit="m/s^1.75", figure=_dose)


def _dose(windows: Windows) -> Array:
    return windows.fourth_power**0.25
