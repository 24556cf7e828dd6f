"""The smooth road: distinguished from the rough ones or refused, and whether it changed as well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from towertap.compare.sections.smooth import SmoothSection
from towertap.errors import CallError


@pytest.fixture
def evidence_of(make):
    """A function from drives to the evidence of the section."""
    return lambda drives: SmoothSection().compare(make.on_whole_passes(drives), ())


def test_rough_and_smooth_road_come_out_as_different_populations(make, evidence_of):
    evidence = evidence_of(make.invented(1))
    entries = evidence.data["rough_against_smooth"]
    assert [entry.part for entry in entries] == ["rubber", "polyurethane"]
    assert all(entry.distinct and entry.interval[0] > 2 for entry in entries)
    assert evidence.headline.endswith("; every rough road is rougher than the smooth one.")
    assert evidence.cautions == ()


@pytest.mark.parametrize("level", [8.0, 11.0])
def test_a_rough_road_as_smooth_as_the_smooth_one_gets_a_caution(make, evidence_of, level):
    """Below the smooth road, or above it by no more than chance."""
    evidence = evidence_of(make.invented(1, roads={"quarry-lane": level}, pass_spread=0.2))
    entries = evidence.data["rough_against_smooth"]
    assert [entry.distinct for entry in entries] == [False, False]
    (caution,) = evidence.cautions
    assert caution.words.startswith(
        "Not shown to be rougher than the smooth road, bypass, in every metric and with either part: quarry-"
    )
    assert evidence.headline.endswith("; quarry-lane is not shown to be rougher in every metric.")


def test_a_rough_road_given_as_the_smooth_one_is_refused_with_the_smoothest(make, evidence_of):
    drives = make.invented(1, roads={"moor-road": 25.0, "quarry-lane": 40.0})
    with pytest.raises(CallError) as error:
        evidence_of(replace(drives, smooth="quarry-lane"))
    assert str(error.value) == (
        "quarry-lane, given as the smooth road, is rougher than bypass and moor-road: did you mean --smooth bypass?"
    )


def test_a_smooth_road_that_changed_as_well_is_reported(make, evidence_of):
    """An unadjusted check: scipy's Welch interval over whole passes, on logarithms."""
    drives = make.invented(4, ratio=1.3)
    (change,) = evidence_of(drives).data["changes"]
    sides = [[make.rms(drive.windows("jerk_z")) for drive in drives.of("bypass", side)] for side in ("before", "after")]
    low, high = stats.ttest_ind(np.log(sides[1]), np.log(sides[0]), equal_var=False).confidence_interval()
    assert change.interval == pytest.approx(np.exp([low, high]))
    assert not change.moved
    louder = (
        make.scaled(drive, 1.4) if (drive.road, drive.side) == ("bypass", "after") else drive for drive in drives.passes
    )
    moved = evidence_of(replace(drives, passes=tuple(louder)))
    assert moved.data["changes"][0].ratio == pytest.approx(1.4 * change.ratio)
    assert moved.headline.startswith("It changed as well: jerk z +")
    assert moved.tables[0].rows[0][-1] == "yes"


def test_one_pass_per_side_is_too_few_to_say(make, evidence_of):
    evidence = evidence_of(make.invented(1, n=(1, 1)))
    assert [entry.distinct for entry in evidence.data["rough_against_smooth"]] == [None, None]
    assert evidence.cautions == ()
    assert {row[-1] for table in evidence.tables for row in table.rows} == {"too few passes to say"}
