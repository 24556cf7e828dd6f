"""Knocks: what comes back at one place, what is counted on which stretch of road, and what is said of it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.rates import confint_poisson
from towertap.capture.speed_log import SpeedLog
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.sections.knocks.again import by_chance, come_again
from towertap.compare.sections.knocks.counts import count_knocks, not_heard
from towertap.compare.sections.knocks.waves import KnocksOfCapture
from towertap.compare.study import lay_out
from towertap.signals.knocks import Knock


def heard(drive, onsets_s):
    """The same pass with a knock at each of some times."""
    knocks = tuple(Knock(onset_s, 2.0, 0.01, 150.0) for onset_s in onsets_s)
    return replace(drive, measured={"knocks": KnocksOfCapture(knocks, ())})


def with_knocks(drives, before, after):
    """The same drives with so many knocks a pass, by side, spread evenly over a pass."""

    def evenly(drive):
        count, seconds = before if drive.side == "before" else after, len(drive.cells) * 0.1
        return heard(drive, (np.arange(count) + 0.5) * seconds / count) if count else heard(drive, ())

    return replace(drives, passes=tuple(evenly(drive) for drive in drives.passes))


def test_what_comes_back_in_most_passes_of_each_side_is_told_from_what_does_not():
    """At 1 s in all passes, at 5 s in all of one side and one of three of the other, at 9 s once."""
    where = [[1.0, 5.0], [1.1, 5.0], [1.05, 5.0], [1.0, 5.1], [0.95, 9.0], [1.0]]
    sides = ["before"] * 3 + ["after"] * 3
    assert come_again([np.array(places_s) for places_s in where], sides) == pytest.approx(6 / 11)
    assert come_again([np.array([])] * 4, ["before", "after"] * 2) is None
    assert come_again([np.array([1.0])] * 3, ["before", "after", "after"]) is None


@pytest.mark.parametrize("a_minute", [20, 60])
def test_knocks_anywhere_come_back_no_oftener_than_by_chance(a_minute):
    """Places drawn evenly over a minute, 3 and 3 passes: more than the limit 1 time in 20, by what a quantile is."""
    sides, edges_s = ["before"] * 3 + ["after"] * 3, np.array([[0.0, 1.0], [59.0, 60.0]])
    more = 0
    for seed in range(16):
        rng = np.random.default_rng(seed)
        where = [np.sort(rng.uniform(0, 60, a_minute)) for _ in sides]
        more += come_again(where, sides) > by_chance(where, sides, edges_s)
    assert more <= 0.05 * 16 + 3 * (0.05 * 0.95 * 16) ** 0.5


def test_more_knocks_after_are_told_and_survive_json(make):
    comparison = compare(with_knocks(make.driven(3), 3, 20), metrics=["jerk_z"])
    evidence = comparison.evidence["knocks"]
    assert {road.verdict for road in evidence.data} == {"more knocks"}
    assert evidence.headline == "More knocks on lane and more knocks on bypass."
    assert evidence.data[0].again is not None
    told = json.loads(json.dumps(plain(comparison.data()), allow_nan=False))["evidence"]["knocks"]
    assert [road["verdict"] for road in told["data"]] == ["more knocks"] * 2


def test_no_knock_is_never_told_as_none_there(make):
    lane, _ = count_knocks(make.on_whole_passes(with_knocks(make.invented(1), 0, 0)))
    assert lane.verdict == "undecided"
    assert lane.rates.p is lane.rates.interval is None
    assert "none heard on either side, so nothing was tested" in lane.words
    assert "fewer than" in lane.words
    assert "not evidence that nothing changed" in lane.words


def test_a_silent_road_is_no_member_of_the_family(make):
    """With one road tested Holm's adjustment leaves its p as it is."""
    drives = with_knocks(make.invented(1), 3, 20)
    passes = tuple(heard(drive, ()) if drive.road == "bypass" else drive for drive in drives.passes)
    lane, bypass = count_knocks(make.on_whole_passes(replace(drives, passes=passes)))
    assert (bypass.road, bypass.p_holm) == ("bypass", None)
    assert lane.p_holm == lane.rates.p
    assert lane.verdict == "more knocks"


def test_the_same_knocks_of_the_same_road_are_as_many_however_fast_it_is_driven(make):
    """A knock at each second of the reference's road; after is driven 1.25 times as fast, with 1.25 times a minute."""
    study = lay_out(make.driven(3, faster=1.25), 0.10, 0.95, ["jerk_z"], None)
    (lane,), places = study.roads, study.roads[0].places
    passes = []
    for number, drive in enumerate(places.passes):
        time_s = np.arange(0.0, drive.cells["start_s"].iloc[-1], 0.01)
        onsets_s = np.interp(places.edges_s.mean(axis=1), places.place_s(number, time_s), time_s)
        passes.append(heard(drive, onsets_s))
    lane = replace(lane, passes=tuple(passes), places=replace(places, passes=tuple(passes)))
    (knocks,) = count_knocks(replace(study, roads=(lane,), smooth=None))
    assert knocks.after.rate / knocks.before.rate == pytest.approx(1.25, abs=0.05)
    assert knocks.rates.ratio == pytest.approx(1.0, abs=0.01)
    assert knocks.again == 1.0
    assert "Knocks for the same road, after over before: 1.00" in knocks.words
    assert "100 % of them come back at one place in most passes with either part" in knocks.words
    assert "does not tell a part's knock from the road's" in knocks.words


def test_passes_that_could_not_be_listened_to_are_left_out_and_told(make):
    study = make.on_whole_passes(make.invented(1))
    assert count_knocks(study) == ()
    assert [line.partition(":")[0] for line in not_heard(study.drives)] == [
        "knocks were not counted on quarry-lane",
        "knocks were not counted on bypass",
    ]


def test_kilometres_are_the_logs_where_every_pass_has_one(make):
    """At 54 km/h by the logs a second is 15 m; by the speed aimed at it is another number, and only one log is none."""
    drives = with_knocks(make.invented(1), 5, 5)
    log = SpeedLog("log", np.arange(0.0, 600.0), np.full(600, 15.0))

    def counted(passes):
        return count_knocks(make.on_whole_passes(replace(drives, passes=tuple(passes))))

    lane = counted(replace(drive, speed=log) for drive in drives.passes)[0]
    assert lane.before.kilometres == pytest.approx(lane.before.minutes * 60 * 0.015)
    assert "a km by the speed logs" in lane.words
    assert lane.before.interval_km == pytest.approx(
        confint_poisson(sum(lane.before.counts), lane.before.kilometres, "exact-c")
    )
    twice = replace(log, speed_ms=2 * log.speed_ms)
    faster = counted(replace(drive, speed=twice if drive.side == "after" else log) for drive in drives.passes)[0]
    assert (faster.per, faster.rates.ratio) == ("a km by the speed logs", pytest.approx(0.5))
    partly = counted([replace(drives.passes[0], speed=log), *drives.passes[1:]])
    (of_road,) = [knocks for knocks in partly if knocks.road == drives.passes[0].road]
    assert not of_road.before.logged
    assert "Knocks a minute, after over before: 1.00" in of_road.words
