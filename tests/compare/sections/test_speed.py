"""The section on speed: how fast passes were driven, and when a difference gets a caution."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from towertap.capture.speed_log import LogOffset
from towertap.cli._outcome import plain
from towertap.compare.caution import Weight
from towertap.compare.comparison import compare
from towertap.compare.drives.speed_join import STEP_S, driven_m, with_speed


def test_a_log_gives_metres_and_a_caution_if_one_side_was_faster(make):
    """10 m/s against 10.5 m/s: ratio 1.05 by hand; with an exponent of 2 that is 1.1025."""
    drives, log = make.logged(make.driven(1, faster=1.05), offset_s=3.0, faster=1.05)
    joined = with_speed(drives, [log], 3.0)
    assert [driven_m(drive) for drive in joined.passes if drive.side == "before"] == pytest.approx(
        [10 * STEP_S * drive.n_cells for drive in joined.passes if drive.side == "before"]
    )
    comparison = compare(joined, metrics=["jerk_z"])
    (road,) = comparison.evidence["speed"].data
    assert (road.source, road.unit) == ("log", "km/h")
    assert (road.contrast.before, road.contrast.after) == pytest.approx((36.0, 37.8))
    assert road.explains == pytest.approx(1.05**2)
    assert road.caution in comparison.cautions
    assert road.caution.words == "Driven 5.0 % faster on lane after the change; that alone may add up to +10 %."
    assert road.shared_m == pytest.approx(10.25 * comparison.evidence["places"].data[0].places, rel=0.1)
    json.dumps(plain(comparison.data()), allow_nan=False)


@pytest.mark.parametrize(("faster", "logged"), [(1.0, 1 / 1.609), (1.15, 1.0)])
def test_a_log_that_is_wrong_on_one_side_gets_a_caution_and_the_alignment_is_used(make, faster, logged):
    """Miles read as kilometres after the change; and 15 % faster, of which the log shows nothing."""
    drives, log = make.logged(make.driven(1, faster=faster), faster=logged)
    comparison = compare(with_speed(drives, [log], 0.0), metrics=["jerk_z"])
    (road,) = comparison.evidence["speed"].data
    assert road.source == "alignment"
    assert road.contrast.ratio == pytest.approx(faster, rel=0.02)
    assert road.contradiction in comparison.cautions
    assert road.contradiction.weight == Weight.OVERTURNS


def test_equal_speeds_get_no_caution(make):
    drives, log = make.logged(make.driven(1))
    (road,) = compare(with_speed(drives, [log], 0.0), metrics=["jerk_z"]).evidence["speed"].data
    assert road.caution is road.contradiction is None


def test_without_a_log_speed_is_from_the_alignment(make):
    """Each pass has its own speed, and the sides differ by 6 %; only the alignment can show it."""
    slow, fast = make.driven(1, wander=0.0, speeds=0.0), make.driven(1, wander=0.0, speeds=0.06)
    steady = compare(slow, metrics=["jerk_z"]).evidence["speed"].data[0]
    spread = compare(fast, metrics=["jerk_z"]).evidence["speed"].data[0]
    assert steady.source == "alignment"
    assert np.std([drive.speed for drive in steady.passes]) < 0.01
    rng_speeds = np.std(np.log([drive.speed for drive in spread.passes]))
    assert 0.02 < rng_speeds < 0.12
    assert all(drive.driven_m is None for drive in spread.passes)


def test_each_logs_clock_is_listed_once_with_its_source(make):
    drives, log = make.logged(make.driven(1, n=(2, 2), seconds=20))
    joined = with_speed(drives, [log], 0.0)
    offsets = {
        "before": ("a.csv", LogOffset(2.394, 0.118, "found")),
        "after": ("b.gpx", LogOffset(-3600.0, None, "given")),
    }

    def by(drive):
        name, offset = offsets[drive.side]
        return replace(drive, speed=replace(drive.speed, name=name, offset=offset))

    known = replace(joined, passes=tuple(by(drive) for drive in joined.passes))
    (clocks,) = (
        table for table in compare(known, metrics=["jerk_z"]).evidence["speed"].tables if "Clocks" in table.title
    )
    assert clocks.rows == (
        ("a.csv", "2.39", "±0.12", "found by the forward acceleration"),
        ("b.gpx", "−3600.00", "–", "as given"),
    )
