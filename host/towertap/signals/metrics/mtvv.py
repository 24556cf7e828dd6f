"""Maximum transient vibration value: largest running r.m.s. of the weighted acceleration, ISO 2631-1 clause 6.3.1."""

from __future__ import annotations

from dataclasses import replace

from towertap.signals.filters import Array
from towertap.signals.metrics._metric import Metric
from towertap.signals.metrics.weighted import weighted
from towertap.signals.stream import Windows


def mtvv(axis: str) -> Metric:
    """The metric `mtvv_AXIS`."""
    base = weighted(axis)
    label = f"largest running r.m.s., {base.label}"
    return replace(base, name=f"mtvv_{axis}", label=label, figure=_largest, running=True)


def _largest(windows: Windows) -> Array:
    return windows.running
