"""The table of metrics: one line each, one small module a kind.

Gravity and slow drift need no step of their own: they lie below every band (0.5 Hz, the weightings' 0.4 Hz), and the
jerk of a constant is nought. All windows of all metrics of an analysis cover the same stretches.
"""

from __future__ import annotations

from towertap.signals.metrics._metric import Metric, Settings
from towertap.signals.metrics.acceleration import acceleration
from towertap.signals.metrics.band import band
from towertap.signals.metrics.crest_factor import crest_factor
from towertap.signals.metrics.jerk import jerk
from towertap.signals.metrics.mtvv import mtvv
from towertap.signals.metrics.third import NOMINAL, third
from towertap.signals.metrics.vdv import vdv
from towertap.signals.metrics.weighted import weighted

METRICS: dict[str, Metric] = {
    metric.name: metric
    for metric in (
        acceleration("x"),
        acceleration("y"),
        acceleration("z"),
        weighted("x"),
        weighted("y"),
        weighted("z"),
        jerk("x"),
        jerk("y"),
        jerk("z"),
        band("primary", "z"),
        band("secondary", "z"),
        band("harshness", "z"),
        band("structure_borne", "z"),
        mtvv("z"),
        vdv("z"),
        crest_factor("z"),
    )
}
"""Metric name → metric, in the order of every table."""

THIRDS: dict[str, Metric] = {metric.name: metric for metric in (third(nominal, "z") for nominal in NOMINAL)}
"""The third-octaves, upwards in frequency: a table of their own, computed where they are asked for by name."""

__all__ = ["METRICS", "THIRDS", "Metric", "Settings"]
