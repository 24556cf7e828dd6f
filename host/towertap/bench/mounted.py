"""How the box was mounted in the vehicle: by the conditions, or as gravity shows it once readings are corrected."""

from __future__ import annotations

import math
import shlex

import numpy as np

from towertap.bench.carried import BenchRecords, no_records
from towertap.capture.reading import Capture, Piece
from towertap.errors import AnalysisError
from towertap.signals.axes import EXAMPLE, parse_mounting
from towertap.signals.filters import Array

REST_S = 30.0
"""Where gravity is looked for when the mounting asks for it: in the quietest second of so much of the start."""

AT_REST_MS2 = 0.3
"""Largest standard deviation of any axis that still passes for standing still (an idling engine shakes less)."""

GRAVITY_MS2 = (9.3, 10.3)
"""What the mean specific force at rest must be: gravity, with a chip's offset and scale error."""


def rotation_to_vehicle(capture: Capture, mounting: str | None = None, bench: BenchRecords | None = None) -> Array:
    """The rotation R (3, 3), vehicle = R @ chip, by `mounting` or else by the capture's conditions.

    Where gravity shows it, the readings are corrected by the calibration in `bench`. Raises AnalysisError when neither
    gives a usable mounting.
    """
    text = mounting or capture.conditions.mounting
    if not text.strip():
        raise AnalysisError(f"{capture.path}: does not say how the box was mounted: give --mounting {EXAMPLE}")
    try:
        return parse_mounting(text, lambda: _gravity_at_rest(capture, bench or no_records(capture)))
    except AnalysisError as error:
        if mounting:
            raise
        raw = shlex.quote(str(capture.path.with_name(capture.text("raw_name"))))
        mend = f"'towertap decode {raw} --mounting {EXAMPLE}', with the true axes, mends the capture"
        raise AnalysisError(f"{capture.path}: {error}; {mend}") from None


def _gravity_at_rest(capture: Capture, bench: BenchRecords) -> Array:
    """Mean specific force (3,), chip axes, m/s², over the quietest second of the first REST_S of the capture."""
    piece, second = capture.pieces()[0], round(capture.rate_hz)
    start = Piece(piece.first_row, min(piece.n_rows, math.ceil(REST_S * capture.rate_hz)), piece.start_time_s)
    quietest, gravity = math.inf, np.zeros(3)
    offset_ms2, correction = bench.correction
    for block in capture.blocks(start, second):
        spread = float(block.std(axis=0).max())
        if len(block) == second and spread < quietest:
            quietest, gravity = spread, correction @ (block.mean(axis=0) - offset_ms2)
    if quietest > AT_REST_MS2 or not GRAVITY_MS2[0] <= np.linalg.norm(gravity) <= GRAVITY_MS2[1]:
        raise AnalysisError(
            f"the box was not at rest for a second in its first {REST_S:g} s, so gravity does not show its axes: "
            f"give --mounting {EXAMPLE}"
        )
    return gravity
