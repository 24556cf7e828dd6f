"""Turns, installations and days from dates and from the plan, unaffected by a stray pass."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from towertap.compare.drives.calendar import days, first_half, installations, turns
from towertap.compare.drives.slots import Slot

START = datetime(2026, 5, 2, 9, tzinfo=UTC)


@pytest.fixture
def driven(make):
    """A function from an order such as "AABB" to its passes, ten minutes apart, each over two roads."""

    def driven(order):
        counts, passes = {"A": 0, "B": 0}, []
        for part in order:
            counts[part] += 1
            for road in ("bypass", "lane"):
                drive = make.one_pass({"jerk_z": [1.0]}, "after" if part == "B" else "before", road, counts[part])
                passes.append(replace(drive, started=START + timedelta(minutes=10 * len(passes))))
        return passes

    return driven


def in_order(labels):
    """The labels, numbered from 1 in order of appearance."""
    numbers = {}
    return [None if label is None else numbers.setdefault(label, len(numbers) + 1) for label in labels.values()]


def redated(passes, number, started):
    return [replace(drive, started=started) if place == number else drive for place, drive in enumerate(passes)]


@pytest.mark.parametrize(
    ("order", "per_pass"), [("AABB", "1122"), ("ABBA", "1223"), ("ABAB", "1234"), ("AAAABBBB", "11112222")]
)
def test_a_part_stays_fitted_until_the_other_is_driven(driven, order, per_pass):
    assert in_order(installations(driven(order), None)) == [int(number) for number in per_pass for _ in range(2)]


def test_the_plan_says_when_a_part_is_fitted_again(driven):
    """A B | B' A: nothing is driven between the two stretches with B, but the plan has it taken out."""
    passes = driven("ABBA")
    planned = {
        (part, road, number): Slot(block, installation)
        for part, number, block, installation in (
            ("rubber", 1, 1, 1),
            ("polyurethane", 1, 1, 2),
            ("polyurethane", 2, 2, 3),
            ("rubber", 2, 2, 4),
        )
        for road in ("bypass", "lane")
    }
    assert in_order(installations(passes, planned)) == [1, 1, 2, 2, 3, 3, 4, 4]
    undated = redated(passes, 3, None)
    assert in_order(installations(undated, planned)) == [1, 1, 2, 2, 3, 3, 4, 4]
    assert in_order(installations([replace(drive, started=None) for drive in passes], planned)) == [
        *(1, 1, 2, 2, 3, 3, 4, 4)
    ]
    one_change = sorted(passes, key=lambda drive: drive.side == "after")
    as_driven = [replace(drive, started=START + timedelta(minutes=at)) for at, drive in enumerate(one_change)]
    assert in_order(installations(as_driven, planned))[:4] == [1, 1, 1, 1], "as driven, whatever was planned"


def test_a_stray_pass_makes_no_installation_and_leaves_the_halves(driven):
    """One pass over the smooth road dated into the other part's day; one without a date."""
    passes = driven("AAAABBBB")
    stray = redated(passes, 0, passes[-4].started + timedelta(minutes=1))
    assert in_order(installations(stray, None)) == [None, *[1] * 7, *[2] * 8]
    assert first_half(stray) == "before"
    undated = redated(passes, 1, None)
    assert in_order(installations(undated, None)) == [1, None, *[1] * 6, *[2] * 8]
    assert first_half(undated) == "before"


def test_halves_differ_from_turns_and_from_an_unknown_order(driven):
    assert first_half(driven("BBAA")) == "after"
    assert first_half(driven("ABBA")) is None
    assert first_half([replace(drive, started=None) for drive in driven("AABB")]) is None
    assert [len(turn) for turn in turns(driven("ABBA"))] == [2, 4, 2]


def test_a_day_is_the_drivers_own(make):
    """Eight in the morning ten hours ahead of UTC is the day before in UTC, but the driver's own day counts."""
    morning = datetime(2026, 5, 4, 8, tzinfo=timezone(timedelta(hours=10)))
    drive = replace(make.one_pass({"jerk_z": [1.0]}, "before", "lane", 1), started=morning)
    assert days([drive, replace(drive, path=drive.path.with_name("b.h5"), started=None)]) == {
        drive.name: morning.date(),
        "b": None,
    }
