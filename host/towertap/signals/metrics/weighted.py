"""Frequency-weighted acceleration, r.m.s., ISO 2631-1: Wk upwards, Wd along and across."""

from __future__ import annotations

from functools import lru_cache

from towertap.signals import weighting
from towertap.signals.filters import Band, Recursive
from towertap.signals.metrics._metric import DIRECTIONS, Metric, Settings, rms

WEIGHTING_OF = {"x": "Wd", "y": "Wd", "z": "Wk"}


def weighted(axis: str) -> Metric:
    """The metric `weighted_AXIS`."""
    return Metric(
        name=f"weighted_{axis}",
        label=f"{WEIGHTING_OF[axis]}-weighted {DIRECTIONS[axis]} acceleration",
        unit="m/s²",
        axis=axis,
        band_hz=_band_limits,
        make_filter=wk if axis == "z" else wd,
        figure=rms,
    )


def _band_limits(settings: Settings) -> Band:
    return weighting.BAND_LIMITS_HZ


@lru_cache
def wk(band_hz: Band, rate_hz: float) -> Recursive:
    """Weighting Wk at this rate; its band is the standard's own."""
    return Recursive(weighting.design("Wk", rate_hz))


@lru_cache
def wd(band_hz: Band, rate_hz: float) -> Recursive:
    """Weighting Wd at this rate; its band is the standard's own."""
    return Recursive(weighting.design("Wd", rate_hz))
