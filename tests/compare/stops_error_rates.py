"""What a stop in the passes of one side does to a comparison; run it for the full count.

`python -m tests.compare.stops_error_rates [RUNS]` invents RUNS sets of drives over one rough road with nothing changed,
in which every pass after brakes somewhere, stands for 8 s with the engine idling and pulls away again. It compares
them as `compare` does, and with `--whole`, and prints how often a difference is shown.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from scipy import stats
from towertap.compare.stats.contrast import pass_contrast
from towertap.compare.study import lay_out
from towertap.motion import CELL_S, DriveCourse, Moving, pulling_away, standing

from tests.compare import invented

STEP_S = 0.02
SPEED_MS, BRAKING_MS2, PULLING_MS2, STOP_S = 11.0, 2.0, 1.5, 8.0
LEVEL_MS2, IDLE_MS2, JERK_MS3, IDLE_MS3 = 0.5, 0.05, 20.0, 2.0
MARGIN = 0.10


def pace(rng, seconds, stop):
    """Speed (n,) at every STEP_S as a multiple of the aimed speed, with or without a stop; it wanders by 2 %."""
    n = round(seconds / STEP_S)
    speed = np.ones(n)
    if stop:
        brake, pull = SPEED_MS / BRAKING_MS2, SPEED_MS / PULLING_MS2
        ramp = np.concatenate(
            [
                np.linspace(1, 0, round(brake / STEP_S)),
                np.zeros(round(STOP_S / STEP_S)),
                np.linspace(0, 1, round(pull / STEP_S)),
            ]
        )
        at = rng.integers(round(5 / STEP_S), n - round(5 / STEP_S))
        speed = np.insert(speed, at, ramp)
    time_s = np.arange(speed.size) * STEP_S
    waves = np.sin(2 * np.pi * time_s[:, None] / rng.uniform(4, 20, 2) + rng.uniform(0, 2 * np.pi, 2)).sum(axis=1)
    return speed * (1 + 0.02 * rng.standard_normal() + 0.02 * waves)


def by_cell(values):
    """Means over cells of values (n,) at every STEP_S."""
    per_cell = round(CELL_S / STEP_S)
    return values[: values.size // per_cell * per_cell].reshape(-1, per_cell).mean(axis=1)


def one_pass(make, rng, level_at, side, number, stop, height):
    """A complete pass over the road: levels that follow speed over an idle floor, and the driver's accelerations."""
    speed = pace(rng, 35.0, stop)
    place = rng.uniform(0, 1) + np.cumsum(speed) * STEP_S
    rough = np.exp(by_cell(level_at[(place / STEP_S).astype(int)]))
    share, n = by_cell(speed), rough.size
    table = {
        name: np.hypot(driving_level * height * rough * share * np.exp(0.2 * rng.standard_normal(n)), idle)
        for name, driving_level, idle in (("secondary_z", LEVEL_MS2, IDLE_MS2), ("jerk_z", JERK_MS3, IDLE_MS3))
    }
    cells = make.cells_of(table)
    sway = np.radians(0.5) * share[:, None] * rng.standard_normal((n, 3)) + np.radians(0.02) * rng.standard_normal(
        (n, 3)
    )
    slope = 0.1 * np.sin(np.arange(n) / 60 + rng.uniform(0, 6))
    forward = np.gradient(share * SPEED_MS, CELL_S) + slope + 0.1 * rng.standard_normal(n)
    return make.of_cells(make.one_pass({"jerk_z": [1.0]}, side, "lane", number), cells), DriveCourse(
        forward, table["secondary_z"], sway
    )


def stopping(make, seed, whole, turns=True, passes=4, stops=("after",)):
    """Drives with nothing changed, with a stop on the sides `stops`, and a gyroscope if it `turns`."""
    rng = np.random.default_rng(seed)
    drives = [drive for drive in make.invented(seed).passes if drive.road == "bypass"]
    level_at = make.road_level(np.random.default_rng([seed, 5]), 60.0)
    for side in ("before", "after"):
        for number in range(1, passes + 1):
            height = np.exp(0.03 * rng.standard_normal())
            drive, course = one_pass(make, rng, level_at, side, number, side in stops, height)
            if not whole:
                stands = standing(course if turns else replace(course, turning_rads=None))
                nothing = np.zeros(stands.size, bool)
                drive = drive.cut(Moving(stands, pulling_away(course.forward_ms2, stands), nothing, nothing))
            drives.append(drive)
    return make.drives_of(drives)


def outcome(make, seed, whole, turns=True):
    """Verdict, ratio and basis of these drives for the jerk on the lane."""
    (road,) = lay_out(stopping(make, seed, whole, turns), MARGIN, ["jerk_z"], None).roads
    rough = road.rough["jerk_z"]
    logs = np.log([rough.value(drive).value for drive in road.passes])
    student = pass_contrast(logs, road.design.after)
    return student.verdict(MARGIN), float(student.ratio), rough.basis


def _outcomes(seed):
    return [outcome(invented, seed, whole, turns) for whole, turns in ((False, True), (False, False), (True, True))]


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(_outcomes, range(runs), chunksize=10))
    kinds = ("as compare does", "without a gyroscope", "with --whole")
    for name, outcomes in zip(kinds, zip(*rows, strict=True), strict=True):
        verdicts, ratios, bases = zip(*outcomes, strict=True)
        different = stats.binomtest(sum(verdict in ("harsher", "gentler") for verdict in verdicts), runs)
        low, high = different.proportion_ci()
        places = np.mean([basis == "rough places" for basis in bases])
        print(
            f"{name}: shown different {100 * different.statistic:.1f} % ({100 * low:.1f} to {100 * high:.1f}), "
            f"mean ratio {np.mean(ratios):.3f}, by rough places {places:.2f}"
        )
