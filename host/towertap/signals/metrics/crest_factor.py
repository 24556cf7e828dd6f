"""Crest factor: peak over r.m.s. of the weighted acceleration, ISO 2631-1 clause 6.2.1."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from towertap.signals.filters import Array
from towertap.signals.metrics._metric import Metric, rms
from towertap.signals.metrics.weighted import weighted
from towertap.signals.stream import Windows


def crest_factor(axis: str) -> Metric:
    """The metric `crest_factor_AXIS`; NaN of a signal that is nought."""
    base = weighted(axis)
    return replace(base, name=f"crest_factor_{axis}", label=f"crest factor, {base.label}", unit="1", figure=_ratio)


def _ratio(windows: Windows) -> Array:
    with np.errstate(invalid="ignore"):
        return windows.peak / rms(windows)
