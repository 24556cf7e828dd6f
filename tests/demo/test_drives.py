"""The drives: repeatable passes that differ by a few per cent, and a bush whose stiffness shows where it should."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest
from scipy import signal, stats
from towertap.capture.mounting import parse_mounting
from towertap.demo.drives import MOUNTING, PARTS, RATE_HZ, REST_S, drives_of, make_plan, motions
from towertap.demo.road import ROADS

PASSES, SECONDS, UNDER_WAY_S = 4, 12.0, 6.0


@pytest.fixture(scope="module")
def before_and_after():
    drives = drives_of(make_plan("rubber-bush", "polyurethane-bush", PASSES))
    return drives, motions(drives, SECONDS)


def jerk_up_to_100_hz(motion):
    """R.m.s. jerk along z of each drive at speed, by scipy alone: (drives,) m/s³."""
    sos = signal.butter(4, [0.5, 100.0], "bandpass", fs=RATE_HZ, output="sos")
    jerk = np.gradient(signal.sosfilt(sos, motion[:, :, 2] - 9.80665, axis=1), axis=1) * RATE_HZ
    return jerk[:, int(UNDER_WAY_S * RATE_HZ) :].std(axis=1)


def test_the_plan_drives_every_road_with_both_parts(before_and_after):
    drives, motion = before_and_after
    assert len(drives) == len({drive.name for drive in drives}) == len(ROADS) * 2 * PASSES
    assert len({drive.seed for drive in drives}) == len(drives)
    assert motion.shape == (len(drives), SECONDS * RATE_HZ, 6)


def test_air_temperatures_stay_within_what_a_comparison_allows():
    """Within 5 °C, as in hardware_notes/drive_procedure.md, for more passes than the demo drives."""
    air_c = [drive.air_temperature_c for drive in drives_of(make_plan("rubber-bush", "polyurethane-bush", 8))]
    assert 0 < max(air_c) - min(air_c) < 5.0


def test_the_same_plan_gives_the_same_drives(before_and_after):
    drives, motion = before_and_after
    again = drives_of(make_plan("rubber-bush", "polyurethane-bush", PASSES))
    assert [replace(drive, started=None) for drive in again] == [replace(drive, started=None) for drive in drives]
    assert np.array_equal(motions(drives[:2], SECONDS), motion[:2])


def test_the_drives_follow_the_plan_a_b_b_a_and_none_lies_in_the_future(before_and_after):
    drives, _ = before_and_after
    a, b = "rubber-bush", "polyurethane-bush"
    assert [drive.part for drive in drives] == [a] * 6 + [b] * 12 + [a] * 6
    assert all(drive.started < later.started for drive, later in pairwise(drives))
    assert drives[-1].started < datetime.now(UTC)


def test_gravity_reads_upward_through_the_declared_mounting(before_and_after):
    _, motion = before_and_after
    vehicle = motion[:, :, :3] @ parse_mounting(MOUNTING).T
    at_rest = vehicle[:, : int(REST_S * RATE_HZ)]
    assert at_rest.mean(axis=(0, 1)) == pytest.approx([0, 0, 9.80665], abs=0.01)  # standard gravity, ISO 80000-3
    assert at_rest.std(axis=1).max() < 0.05
    assert vehicle[:, :, 2].mean() == pytest.approx(9.80665, abs=0.05)
    assert abs(vehicle[:, :, 1].mean()) < 1.0  # a few seconds do not have equally many left and right bends


def test_the_speed_rises_from_rest_to_the_target(before_and_after):
    drives, motion = before_and_after
    forward = (motion[:, :, :3] @ parse_mounting(MOUNTING).T)[:, :, 0]
    speed_kmh = 3.6 * forward.sum(axis=1) / RATE_HZ  # dead reckoning from rest, by the accelerometer alone
    for drive, reached in zip(drives, speed_kmh, strict=True):
        if drive.road.name == "quarry-lane":
            assert reached == pytest.approx(drive.road.speed_kmh, rel=0.1)


def test_the_chip_turns_a_little_and_never_clips(before_and_after):
    _, motion = before_and_after
    assert (motion[:, :, 3:].std(axis=1) > 0).all()
    assert np.abs(motion[:, :, 3:]).max() < np.radians(60)
    assert np.abs(motion[:, :, :3]).max() < 16 * 9.80665


def test_passes_over_one_road_differ_by_a_few_per_cent(before_and_after):
    drives, motion = before_and_after
    logs = np.log(jerk_up_to_100_hz(motion))
    for road in ROADS:
        for part in ("rubber-bush", "polyurethane-bush"):
            side = [log for log, drive in zip(logs, drives, strict=True) if (drive.road, drive.part) == (road, part)]
            assert 0.002 < np.std(side, ddof=1) < 0.08


@pytest.mark.parametrize("road", ROADS[:2], ids=lambda road: road.name)
def test_a_bush_twice_as_stiff_gives_more_jerk_on_rough_roads(before_and_after, road):
    drives, motion = before_and_after
    assert PARTS["polyurethane-bush"].stiffness_n_m == 2 * PARTS["rubber-bush"].stiffness_n_m
    logs = np.log(jerk_up_to_100_hz(motion))
    sides = [
        [log for log, drive in zip(logs, drives, strict=True) if (drive.road, drive.part) == (road, part)]
        for part in ("polyurethane-bush", "rubber-bush")
    ]
    interval = stats.ttest_ind(*sides, equal_var=False).confidence_interval()
    assert np.exp(interval.low) > 1.10


def test_a_bush_fitted_again_is_the_same_bush():
    assert PARTS["rubber-bush"] == PARTS["rubber-bush-refitted"]
