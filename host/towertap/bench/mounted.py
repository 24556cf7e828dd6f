"""How the box was mounted in the vehicle: from the conditions, or from gravity in corrected readings."""

import shlex

import numpy as np

from towertap.bench.carried import BenchRecords, no_records
from towertap.bench.rest import GRAVITY_MS2
from towertap.capture.mounting import EXAMPLE, parse_mounting
from towertap.capture.reading import Capture
from towertap.capture.sweep import sweep
from towertap.errors import AnalysisError
from towertap.signals.filters import Array

REST_S = 30.0
"""Gravity is taken from the seconds at rest within this much of the start."""


def rotation_to_vehicle(capture: Capture, mounting: str | None = None, bench: BenchRecords | None = None) -> Array:
    """The rotation R (3, 3), vehicle = R @ chip, from `mounting` or else from the capture's conditions.

    If gravity has to show it, the readings are corrected by the calibration in `bench`. AnalysisError if there is no
    usable mounting.
    """
    text = mounting or capture.conditions.mounting
    if not text.strip():
        raise AnalysisError(f"{capture.path}: does not say how the box was mounted: give --mounting {EXAMPLE}")
    try:
        return parse_mounting(text, lambda: _gravity_at_rest(capture, bench or no_records(capture)))
    except AnalysisError as error:
        if mounting:
            raise
        command = shlex.join(["towertap", "correct", str(capture.path), "--mounting", EXAMPLE])
        raise AnalysisError(f"{capture.path}: {error}; correct it by '{command}', with the true axes") from None


def _gravity_at_rest(capture: Capture, bench: BenchRecords) -> Array:
    """Mean specific force (3,), chip axes, m/s², over the seconds at rest in the first REST_S of the capture."""
    offset_ms2, correction = bench.correction
    reading = sweep(capture, REST_S).gravity_at_rest()
    gravity = np.zeros(3) if reading is None else correction @ (reading - offset_ms2)
    if not GRAVITY_MS2[0] <= np.linalg.norm(gravity) <= GRAVITY_MS2[1]:
        raise AnalysisError(
            f"the box was not at rest for a second in its first {REST_S:g} s, so gravity does not show its axes: "
            f"give --mounting {EXAMPLE}"
        )
    return gravity
