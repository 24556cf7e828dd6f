"""The engine idling at rest, recorded and kept as a bench record."""

from dataclasses import replace

from towertap.bench import records
from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.cli._outcome import plain
from towertap.cli._recording import Recorder
from towertap.idle import idle_of
from towertap.signals.metrics import METRICS

IDLE_S = 20.0
SHOWN = ("jerk_z", "weighted_z", "acceleration_z")


def record_idle(recorder: Recorder, conditions: Conditions) -> str:
    """Record, measure, keep; what came of it in one line. AnalysisError where the vehicle did not stand."""
    said = replace(conditions, road="", part="", pass_number=None, notes="the engine idling, at rest")
    driven = replace(recorder, out=recorder.bench, seconds=recorder.seconds or IDLE_S).drive(said, "idle")
    with open_capture(driven.capture_path) as capture:
        idle = idle_of(capture)
        written = records.write(records.record_of("idle", capture, plain(idle.data())), recorder.bench)
    levels = (
        f"{METRICS[name].label} {idle.levels[name].rms:.3g} {METRICS[name].unit}"
        for name in SHOWN
        if name in idle.levels
    )
    return f"{', '.join(levels)}; kept as {written}"
