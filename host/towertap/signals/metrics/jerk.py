"""Jerk, r.m.s., up to the edge of the settings: harshness is felt as jerk."""

from __future__ import annotations

from towertap.signals import jerk as differentiator
from towertap.signals.filters import Band, Filter
from towertap.signals.metrics._metric import DIRECTIONS, Metric, Settings, rms


def jerk(axis: str) -> Metric:
    """The metric `jerk_AXIS`."""
    return Metric(
        name=f"jerk_{axis}",
        label=f"{DIRECTIONS[axis]} jerk",
        unit="m/s³",
        axis=axis,
        band_hz=_up_to_edge,
        make_filter=_make_filter,
        figure=rms,
    )


def _up_to_edge(settings: Settings) -> Band:
    return (0.0, settings.jerk_edge_hz)


def _make_filter(band_hz: Band, rate_hz: float) -> Filter:
    return differentiator.design(band_hz[1], rate_hz)
