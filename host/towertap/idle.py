"""Measures how much the idling engine adds to each metric; like sensor noise, it is the same with either part."""

import math
from dataclasses import asdict, dataclass
from typing import Any

from towertap.analysis import analyse_capture
from towertap.bench.carried import records_for
from towertap.capture.reading import Capture
from towertap.errors import AnalysisError
from towertap.motion import standing
from towertap.signals.channels import ACCELERATIONS
from towertap.signals.metrics import METRICS, THIRDS

MIN_STANDING_SHARE = 0.9
"""Share of the time that the vehicle must stand still; below 1 because a door may be slammed."""


@dataclass(frozen=True)
class IdleLevel:
    """R.m.s. of a metric's channels over its band."""

    rms: float
    band_hz: tuple[float, float]


@dataclass(frozen=True)
class Idle:
    """Idle levels of one vehicle by metric name, in each metric's unit; they include sensor noise."""

    vehicle: str
    seconds: float
    levels: dict[str, IdleLevel]

    def data(self) -> dict[str, Any]:
        """The result of a bench record."""
        return asdict(self)


def idle_of(capture: Capture) -> Idle:
    """Idle levels from a recording at rest with the engine running; AnalysisError if the vehicle moved."""
    analysis = analyse_capture(capture, metrics=[*METRICS, *THIRDS], bench=records_for(capture), whole=True)
    is_known = analysis.course.level_ms2 >= 0
    if standing(analysis.course)[is_known].mean() < MIN_STANDING_SHARE:
        raise AnalysisError(
            f"{capture.path}: the vehicle did not stand still; record the engine idling at rest, on level ground"
        )
    power = analysis.kept.mean_power()
    levels = {
        name: IdleLevel(math.sqrt(sum(power[channel.source] for channel in metric.channels)), analysis.bands_hz[name])
        for name, metric in analysis.metrics.items()
        if set(metric.axes) <= set(ACCELERATIONS)
    }
    return Idle(capture.conditions.vehicle, analysis.analysed_s, levels)
