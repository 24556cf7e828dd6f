"""The place of each pass in the plan, and why a road cannot be compared by block."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from towertap.compare.drives.slots import Slot, slots_of

from tests import plans

ORDER = plans.order(roads=("moor-road", "bypass"), passes=6)
PLANNED = {
    (drive.part, drive.road, drive.pass_number): Slot(
        drive.block, 2 if drive.part == "polyurethane" else 2 * drive.block - 1
    )
    for drive in ORDER
}
"""A B B A: the second part is installed once, and driven in both blocks."""


@pytest.fixture(scope="module")
def passes(make):
    """The six passes with each part over one road."""
    return [
        make.one_pass({"jerk_z": [1.0]}, side, "moor-road", number)
        for side in ("before", "after")
        for number in range(1, 7)
    ]


def without_number(passes):
    return [replace(passes[0], conditions=replace(passes[0].conditions, pass_number=None)), *passes[1:]]


def twice(passes):
    return [*passes, replace(passes[0], path=passes[0].path.with_name("again.h5"))]


def one_sided(passes):
    return [drive for drive in passes if drive.side == "before" or drive.conditions.pass_number <= 3]


def only_the_first(passes):
    return [drive for drive in passes if drive.conditions.pass_number <= 3]


def mixed_up(passes):
    start = datetime(2026, 5, 4, 8, tzinfo=UTC)
    return [replace(drive, started=start - timedelta(hours=drive.conditions.pass_number)) for drive in passes]


def test_every_pass_has_its_planned_slot(passes):
    slots, reason = slots_of(passes, PLANNED)
    assert reason is None
    assert {drive.name: slots[drive.name].block for drive in passes} == {
        drive.name: 1 if drive.conditions.pass_number <= 3 else 2 for drive in passes
    }
    assert {slots[drive.name].installation for drive in passes if drive.side == "after"} == {2}
    assert {slots[drive.name].installation for drive in passes if drive.side == "before"} == {1, 3}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (twice, "moor-road-rubber-1 and again are the same planned pass"),
        (one_sided, "block 2 has passes with rubber only"),
        (only_the_first, "its passes are all of one block"),
        (mixed_up, "blocks 1 and 2 were not driven one after the other"),
    ],
)
def test_a_road_whose_blocks_do_not_hold_says_why(passes, change, says):
    assert slots_of(change(passes), PLANNED)[1] == says


def test_passes_that_were_not_planned_have_no_slot_and_break_no_block(make, passes):
    """One without a number, and one more than planned."""
    more = [*without_number(passes), make.one_pass({"jerk_z": [1.0]}, "before", "moor-road", 9)]
    slots, reason = slots_of(more, PLANNED)
    assert reason is None
    assert {drive.name for drive in more} - slots.keys() == {"moor-road-rubber-1", "moor-road-rubber-9"}
