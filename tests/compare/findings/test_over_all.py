"""The finding over all rough roads: one ratio over rounds, whatever each road rests on, and whether roads differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from towertap.compare.drives.slots import Slot
from towertap.compare.findings.find import find
from towertap.compare.study import lay_out


def logs_of(findings, rounds=None):
    """Logarithms of the values of the first rounds, (road, side, round)."""
    sides = [(finding.before_values[:rounds], finding.after_values[:rounds]) for finding in findings]
    return np.log([[[value.value for value in side] for side in pair] for pair in sides])


def test_all_rough_roads_together_are_one_ratio_over_rounds(make):
    """The round, one drive over every road, is the unit: Welch by scipy over the means of the roads' logarithms."""
    study = make.on_whole_passes(make.invented(5, ratio=1.1, roads={"quarry-lane": 40.0, "moor-road": 30.0}))
    (overall,), findings = find(study, None)
    logs = logs_of(findings)
    before, after = logs.mean(axis=0)  # over roads: (side, round)
    assert (overall.road, overall.over_all, overall.passes) == ("all rough roads", True, (4, 4))
    assert np.log(overall.ratio) == pytest.approx(after.mean() - before.mean())
    low, high = stats.ttest_ind(after, before, equal_var=False).confidence_interval()
    assert overall.interval == pytest.approx((np.exp(low), np.exp(high)))
    assert not overall.roads_differ


def test_every_road_weighs_the_same_over_all_even_with_fewer_passes(make):
    """With four passes per side on one road and two on the other, only common rounds count: scipy's Welch."""
    drives = make.invented(5, ratio=1.3, roads={"quarry-lane": 40.0, "moor-road": 30.0})
    fewer = [drive for drive in drives.passes if drive.road != "moor-road" or drive.conditions.pass_number < 3]
    (overall,), findings = find(make.on_whole_passes(replace(drives, passes=tuple(fewer))), None)
    logs = logs_of(findings, rounds=2)
    before, after = logs.mean(axis=0)
    assert overall.passes == (2, 2)
    assert np.log(overall.ratio) == pytest.approx(after.mean() - before.mean())
    assert overall.p_difference == pytest.approx(stats.ttest_ind(after, before, equal_var=False).pvalue)
    assert [caution.words for caution in overall.cautions if caution.words.startswith("Left out")] == [
        "Left out, because their round did not drive every road: quarry-lane-rubber-3, quarry-lane-rubber-4, "
        "quarry-lane-polyurethane-3 and 1 more. Two rounds on a side are hardly enough for a test."
    ]


@pytest.mark.filterwarnings("error")
def test_over_all_roads_one_pass_on_a_side_of_one_road_shows_nothing(make):
    drives = make.invented(5, ratio=1.3, roads={"quarry-lane": 40.0, "moor-road": 30.0})
    once = [
        drive
        for drive in drives.passes
        if (drive.road, drive.side) != ("moor-road", "before") or drive.conditions.pass_number == 1
    ]
    (overall,), _ = find(make.on_whole_passes(replace(drives, passes=tuple(once))), None)
    assert (overall.verdict, overall.passes, overall.interval, overall.influence) == ("undecided", (1, 4), None, None)
    assert overall.ratio > 1.2


def test_roads_with_different_pass_numbers_are_matched_in_driving_order(make):
    drives = make.invented(5, ratio=1.3, roads={"quarry-lane": 40.0, "moor-road": 30.0})
    onwards = tuple(
        replace(drive, conditions=replace(drive.conditions, pass_number=drive.conditions.pass_number + 4))
        if drive.road == "moor-road"
        else drive
        for drive in drives.passes
    )
    (alike,), _ = find(make.on_whole_passes(drives), None)
    (apart,), _ = find(make.on_whole_passes(replace(drives, passes=onwards)), None)
    assert (apart.passes, apart.ratio, apart.interval) == (alike.passes, alike.ratio, alike.interval)


@pytest.mark.filterwarnings("error")
def test_blocks_with_one_side_only_over_all_roads_give_no_ratio(make):
    """Each road has both parts in both blocks but lacks a different pass of the first: no complete round before."""
    drives = make.invented(5, ratio=1.3, roads={"quarry-lane": 40.0, "moor-road": 30.0})
    planned = {
        (part, road, number): Slot(1 + (number > 2), 1)
        for part in drives.parts
        for road in ("quarry-lane", "moor-road", "bypass")
        for number in range(1, 5)
    }
    lost = {("quarry-lane", 1), ("moor-road", 2)}
    fewer = [
        drive
        for drive in drives.passes
        if drive.side == "after" or (drive.road, drive.conditions.pass_number) not in lost
    ]
    (overall,), _ = find(make.on_whole_passes(replace(drives, passes=tuple(fewer)), planned=planned), None)
    assert (overall.passes, len(overall.block_ratios), overall.p_interaction) == ((2, 4), 1, None)
    assert 1.2 < overall.block_ratios[0] == pytest.approx(overall.ratio)


@pytest.mark.filterwarnings("error")
def test_copies_of_one_recording_show_nothing_of_differing_roads_or_the_smooth_road(make):
    """By block: copies leave only a rounding error, which would be taken for certainty."""
    drives = make.invented(5, ratio=1.3, pass_spread=0.05, roads={"quarry-lane": 40.0, "moor-road": 30.0})
    first = {(drive.road, drive.side): drive for drive in drives.passes if drive.conditions.pass_number == 1}
    copied = tuple(
        replace(drive, kept=first[drive.road, drive.side].kept) if drive.road != "quarry-lane" else drive
        for drive in drives.passes
    )
    planned = {
        (drive.conditions.part, drive.road, drive.conditions.pass_number): Slot(
            1 + (drive.conditions.pass_number > 2), 1
        )
        for drive in drives.passes
    }
    (overall,), (_, lane) = find(make.on_whole_passes(replace(drives, passes=copied), planned=planned), None)
    assert overall.roads_differ is None
    assert lane.interval is not None
    assert lane.over_smooth is None


def test_a_finding_over_all_says_what_each_road_rests_on_if_they_differ(make):
    """One road has rough places, the other could not be aligned and rests on whole passes; both are named."""
    lane = make.driven(1)
    other = make.invented(2, roads={"moor-road": 30.0}).of("moor-road")
    study = lay_out(replace(lane, passes=(*lane.passes, *other)), 0.10, ["jerk_z"], None)
    apart = next(road for road in study.roads if road.name == "moor-road")
    whole = make.on_whole_passes(make.drives_of([*lane.of("bypass"), *other])).roads[0].rough
    roads = tuple(replace(road, rough=whole) if road is apart else road for road in study.roads)
    (overall,), (lane_alone, _) = find(replace(study, roads=roads), None)
    assert (lane_alone.basis, lane_alone.whole_because) == ("rough places", None)
    assert overall.basis == "whole passes"
    assert overall.cautions[0].words == (
        "Its roads differ in what they rest on: lane, rough places; moor-road, whole passes."
    )


def test_roads_that_respond_differently_are_shown_to_differ(make):
    drives = make.invented(5, pass_spread=0.01, seconds=200, roads={"quarry-lane": 40.0, "moor-road": 30.0})
    one_road = tuple(
        make.scaled(drive, 1.3) if (drive.road, drive.side) == ("moor-road", "after") else drive
        for drive in drives.passes
    )
    (overall,), _ = find(make.on_whole_passes(replace(drives, passes=one_road)), None)
    assert overall.roads_differ
    assert "The roads are shown to differ: each has its own finding." in overall.words
