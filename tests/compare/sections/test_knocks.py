"""Knocks: which are counted on which road, how rates are compared, and the wording."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.rates import confint_poisson
from towertap.capture.speed_log import SpeedLog
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.sections.knocks import KnocksSection, causes
from towertap.compare.sections.knocks.counts import KnocksOfCapture, count_knocks, not_heard
from towertap.compare.stats.rates import rate_ratio
from towertap.compare.study import lay_out
from towertap.signals.knocks import Knock, Thresholds

from tests.compare.stats import heard_alike


def heard(drive, onsets_s, peak_ms2=2.0, threshold_ms2=1.0):
    """The pass with a knock at each of `onsets_s`, and one threshold throughout."""
    knocks = tuple(Knock(onset_s, peak_ms2, 0.01, 150.0, 0.1) for onset_s in onsets_s)
    cells = Thresholds(0.0, 0.02, np.full(5 * drive.n_cells + 200, threshold_ms2))
    return replace(drive, measured={"knocks": KnocksOfCapture(knocks, (cells,))})


def with_knocks(drives, before, after):
    """The drives with `before` or `after` knocks in each pass, evenly spaced."""

    def evenly(drive):
        count, seconds = before if drive.side == "before" else after, drive.n_cells * 0.1
        return heard(drive, (np.arange(count) + 0.5) * seconds / count) if count else heard(drive, ())

    return replace(drives, passes=tuple(evenly(drive) for drive in drives.passes))


def test_more_knocks_after_are_reported_and_survive_json(make):
    comparison = compare(with_knocks(make.driven(3), 3, 20), metrics=["jerk_z"])
    evidence = comparison.evidence["knocks"]
    assert {road.verdict for road in evidence.data} == {"more knocks"}
    series = ", at a regular spacing like road joints"
    assert evidence.headline == (
        f"lane: more knocks (12 before, 77 after){series}; bypass: more knocks (12 before, 80 after){series}."
    )
    data = json.loads(json.dumps(plain(comparison.data()), allow_nan=False))["evidence"]["knocks"]
    assert [road["verdict"] for road in data["data"]] == ["more knocks"] * 2


def test_hearing_no_knock_gives_an_upper_bound_and_no_test(make):
    lane, _ = count_knocks(make.on_whole_passes(with_knocks(make.invented(1), 0, 0)))
    assert lane.verdict == "undecided"
    assert lane.rates.p is lane.rates.interval is None
    evidence = KnocksSection().compare(make.on_whole_passes(with_knocks(make.invented(1), 0, 0)), ())
    assert evidence.headline.startswith("None were heard on quarry-lane and bypass, on either side: fewer than ")
    assert (evidence.tables, evidence.drawn) == ((), None)


def test_a_silent_road_is_not_in_the_family_of_tests(make):
    """With one road tested, Holm's adjustment does not change its p."""
    drives = with_knocks(make.invented(1), 3, 20)
    passes = tuple(heard(drive, ()) if drive.road == "bypass" else drive for drive in drives.passes)
    lane, bypass = count_knocks(make.on_whole_passes(replace(drives, passes=passes)))
    assert (bypass.road, bypass.p_holm) == ("bypass", None)
    assert lane.p_holm == lane.rates.p
    assert lane.verdict == "more knocks"


def test_the_same_knocks_of_a_road_count_the_same_at_any_speed(make):
    """A knock at each second of the reference's road; 1.25 times the speed gives 1.25 times as many per minute."""
    study = lay_out(make.driven(3, faster=1.25), 0.10, ["jerk_z"], None)
    (lane,), places = study.roads, study.roads[0].places
    passes = []
    for number, drive in enumerate(places.passes):
        time_s = np.arange(0.0, drive.cells["start_s"][-1], 0.01)
        onsets_s = np.interp(places.edges_s.mean(axis=1), places.place_s(number, time_s), time_s)
        passes.append(heard(drive, onsets_s))
    lane = replace(lane, passes=tuple(passes), places=replace(places, passes=tuple(passes)))
    (knocks,) = count_knocks(replace(study, roads=(lane,), smooth=None))
    assert knocks.after.rate / knocks.before.rate == pytest.approx(1.25, abs=0.05)
    assert knocks.rates.ratio == pytest.approx(1.0, abs=0.01)
    assert knocks.per == "for the same road"


def test_passes_without_knock_detection_are_left_out_with_a_caution(make):
    study = make.on_whole_passes(make.invented(1))
    assert count_knocks(study) == ()
    assert [caution.words.partition(":")[0] for caution in not_heard(study.drives)] == [
        "Knocks were not counted on quarry-lane",
        "Knocks were not counted on bypass",
    ]


def test_kilometres_are_by_the_logs_if_every_pass_has_one(make):
    """At 54 km/h by the logs a second is 15 m; a single log is not used."""
    drives = with_knocks(make.invented(1), 5, 5)
    log = SpeedLog("log", np.arange(0.0, 600.0), np.full(600, 15.0))

    def counted(passes):
        return count_knocks(make.on_whole_passes(replace(drives, passes=tuple(passes))))

    lane = counted(replace(drive, speed=log) for drive in drives.passes)[0]
    assert lane.before.kilometres == pytest.approx(lane.before.minutes * 60 * 0.015)
    assert lane.per == "a km by the speed logs"
    assert lane.before.interval_km == pytest.approx(
        confint_poisson(sum(lane.before.counts), lane.before.kilometres, "exact-c")
    )
    twice = replace(log, speed_ms=2 * log.speed_ms)
    faster = counted(replace(drive, speed=twice if drive.side == "after" else log) for drive in drives.passes)[0]
    assert (faster.per, faster.rates.ratio) == ("a km by the speed logs", pytest.approx(0.5))
    partly = counted([replace(drives.passes[0], speed=log), *drives.passes[1:]])
    (road,) = [knocks for knocks in partly if knocks.road == drives.passes[0].road]
    assert (road.before.kilometres, road.before.rate_km) == (None, None)
    assert (road.per, road.rates.ratio) == ("a minute", pytest.approx(1.0))


@pytest.fixture(scope="module")
def on_a_lane(make):
    """A function from the knocks of four and four passes to the comparison on their shared road, place by place."""
    rng = np.random.default_rng(1)
    profile = make.road_profile(rng, round(heard_alike.SECONDS))
    passes = [
        make.one_pass({"jerk_z": np.ones(profile.size)}, side, "lane", number, profile=profile)
        for side in ("before", "after")
        for number in range(1, 5)
    ]
    smooth = [make.one_pass({"jerk_z": [1.0]}, "before", "bypass", 1)]
    study = lay_out(make.drives_of([*smooth, *passes]), 0.10, ["jerk_z"], None)
    (lane,) = study.roads
    assert lane.aligned is not None

    def on_a_lane(measured):
        passes = tuple(
            replace(drive, measured={"knocks": knocks}) for drive, knocks in zip(lane.passes, measured, strict=True)
        )
        places = replace(lane.places, passes=passes)
        (knocks,) = count_knocks(replace(study, roads=(replace(lane, passes=passes, places=places),)))
        return knocks

    return on_a_lane


@pytest.mark.parametrize("louder", [1.3, 1.6, 2.0])
def test_identical_impacts_on_a_louder_background_are_not_called_different(on_a_lane, louder):
    """Through the detector, the alignment and the counts of the road: at most 5 % of 100 sets from 16 passes of each
    are called different, while counting every knock calls most of them different."""
    draw = np.random.default_rng(round(100 * louder))
    decided, decided_by_all = [], []
    for _ in range(100):
        chosen = draw.permutation(16)[:8]
        passes = [heard_alike.driven(1.0 if place < 4 else louder, 0.3, int(chosen[place])) for place in range(8)]
        knocks = on_a_lane([KnocksOfCapture(heard.knocks, (heard.thresholds,)) for heard in passes])
        decided.append(knocks.verdict != "undecided")
        before, after = (np.add(side.counts, side.softer) for side in (knocks.before, knocks.after))
        decided_by_all.append(rate_ratio(before, after, np.ones(4), np.ones(4)).p < 0.05)
    assert np.mean(decided) <= 0.05
    assert np.mean(decided_by_all) > np.mean(decided) + 0.05
    assert knocks.louder == pytest.approx(louder, rel=0.15)


def test_knocks_that_not_every_pass_could_hear_are_listed_and_not_counted(make):
    """Before hears from 1 m/s², after from 3 m/s²: of knocks of 2 and 5 m/s² only the latter count."""
    drives = make.invented(1)
    passes = tuple(
        heard(drive, np.arange(5.0, 35.0, 3.0), 5.0, 3.0)
        if drive.side == "after"
        else heard(drive, np.arange(5.0, 35.0, 3.0), 2.0 if drive.conditions.pass_number == 1 else 5.0)
        for drive in drives.passes
    )
    lane = count_knocks(make.on_whole_passes(replace(drives, passes=passes)))[0]
    assert (lane.before.counts, lane.before.softer) == ((0, 10, 10, 10), (10, 0, 0, 0))
    assert (lane.after.counts, lane.after.softer) == ((10,) * 4, (0,) * 4)
    assert lane.level_ms2 == pytest.approx(3.0)
    assert lane.louder == pytest.approx(3.0)


def test_road_joints_are_recognised_in_metres_if_speed_is_logged(make):
    """A joint every 1.5 s at 15 m/s is one every 22.5 m."""
    drives = make.invented(1)
    log = SpeedLog("log", np.arange(0.0, 600.0), np.full(600, 15.0))
    passes = tuple(replace(heard(drive, np.arange(2.0, 38.0, 1.5)), speed=log) for drive in drives.passes)
    lane = count_knocks(make.on_whole_passes(replace(drives, passes=passes)))[0]
    assert lane.series.spacing == pytest.approx(22.5)
    sentence = "they come in a regular series, one every 22.5 m (100 % of the intervals). That points to joints"
    assert any(sentence in words for words in causes(lane))
    without_log = tuple(replace(drive, speed=None) for drive in passes)
    lane = count_knocks(make.on_whole_passes(replace(drives, passes=without_log)))[0]
    assert any("one every 1.5 s of the road" in words for words in causes(lane))
