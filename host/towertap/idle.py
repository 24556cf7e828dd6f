"""What the idling engine makes of every metric: it shakes alike with either part, as the sensor's own noise does."""

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

STANDS = 0.9
"""Of the time, at least: a door may be slammed."""


@dataclass(frozen=True)
class IdleLevel:
    """R.m.s. of what a metric listens to, over its band."""

    rms: float
    band_hz: tuple[float, float]


@dataclass(frozen=True)
class Idle:
    """The levels by metric name, in each metric's unit, of one vehicle; what the sensor adds is in them."""

    vehicle: str
    seconds: float
    levels: dict[str, IdleLevel]

    def data(self) -> dict[str, Any]:
        """The result of a bench record."""
        return asdict(self)


def idle_of(capture: Capture) -> Idle:
    """The levels of a recording at rest with the engine running; AnalysisError where the vehicle did not stand."""
    analysis = analyse_capture(capture, metrics=[*METRICS, *THIRDS], bench=records_for(capture), whole=True)
    there = analysis.course.level_ms2 >= 0
    if standing(analysis.course)[there].mean() < STANDS:
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
