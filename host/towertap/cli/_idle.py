"""Records the engine idling at rest and keeps it as a bench record."""

from dataclasses import replace

from towertap.capture.conditions import Conditions
from towertap.cli._bench_recording import measured
from towertap.cli._recording import Recorder
from towertap.idle import idle_of
from towertap.signals.metrics import METRICS

IDLE_S = 20.0
SHOWN = ("jerk_z", "weighted_z", "acceleration_z")


def record_idle(recorder: Recorder, conditions: Conditions) -> str:
    """Record, measure and keep; return a one-line summary. AnalysisError if the vehicle moved."""
    at_rest = replace(conditions, road="", part="", pass_number=None, notes="the engine idling, at rest")
    _, path = replace(recorder, out=recorder.bench, seconds=recorder.seconds or IDLE_S).capture(at_rest, "idle")
    idle, data = measured("idle", idle_of, path, recorder.bench)
    levels = (
        f"{METRICS[name].label} {idle.levels[name].rms:.3g} {METRICS[name].unit}"
        for name in SHOWN
        if name in idle.levels
    )
    return f"{', '.join(levels)}; kept as {data['record']}"
