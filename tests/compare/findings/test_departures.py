"""Departures from a plan, on drives invented to keep it and then to break it in one point at a time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.compare.comparison import compare
from towertap.compare.drives.folder import began
from towertap.compare.plan.departures import departures, held_against, start_times
from towertap.compare.plan.order import drive_order
from towertap.compare.plan.plan import Held, Plan, Road

ROADS = (Road("quarry-lane", 40.0), Road("bypass", 80.0))
HELD = {
    "tyre_pressures_kpa": "300, 300, 350, 350",
    "air_temperature_c": 10.0,
    "box_position": "tower",
    "mounting": "x=+X,y=+Y,z=+Z",
}


@pytest.fixture
def kept(make):
    """A plan, and drives that keep it: passes in driving order and their start times."""
    drives = drive_order("rubber", "polyurethane", [road.name for road in ROADS], 4, 2, 7)
    plan = Plan(
        question="?",
        vehicle="minibus",
        before="rubber",
        after="polyurethane",
        smooth="bypass",
        roads=ROADS,
        metrics=("jerk_z", "weighted_z"),
        margin=0.1,
        power=0.8,
        spread_cv=0.03,
        spread_from="said",
        blocks=2,
        seed=7,
        hold=Held(**(HELD | {"air_temperature_c": (5.0, 12.0)})),
        drives=drives,
        written_utc="2026-05-04T08:00:00+00:00",
    )
    passes = []
    for drive in drives:
        side = "before" if drive.part == "rubber" else "after"
        one = make.one_pass({"jerk_z": [1.0, 2.0]}, side, drive.road, drive.pass_number)
        passes.append(replace(one, conditions=replace(one.conditions, **HELD, speed_kmh=plan.speed_kmh(drive.road))))
    started = {one.name: plan.written + timedelta(minutes=10 * n + 10) for n, one in enumerate(passes)}

    def told(passes=passes, started=started, margin=0.1, metrics=("jerk_z", "weighted_z"), plan=plan):
        found = departures(plan, make.drives_of(passes), started, margin=margin, metrics=metrics)
        return [(one.kind, one.words) for one in found]

    return SimpleNamespace(plan=plan, passes=passes, started=started, told=told)


def changed(one, **conditions):
    return replace(one, conditions=replace(one.conditions, **conditions))


def test_a_plan_that_was_kept_has_no_departures(kept):
    assert kept.told() == []


def test_a_margin_or_metric_that_was_not_planned_may_have_been_chosen_after_the_data(kept):
    (margin,) = kept.told(margin=0.12)
    assert margin[0] == "margin"
    assert "12 %, and 10 % was planned: it may have been chosen after seeing the data" in margin[1]
    (metric,) = kept.told(metrics=("jerk_z", "weighted_z", "harshness_z"))
    assert metric[1].startswith("harshness_z was not planned: it may have been chosen after seeing the data")
    assert kept.told(metrics=("jerk_z",)) == [("metric", "weighted_z was planned and is not compared")]


def test_missing_and_further_passes_are_counted(kept):
    assert kept.told(kept.passes[:-1])[0] == (
        "passes",
        f"{kept.passes[-1].road} with rubber: 3 of 4 planned passes are here, 1 missing",
    )
    more = changed(kept.passes[-1], pass_number=5)
    more = replace(more, path=more.path.with_name("more.h5"))
    late = kept.started | {"more": max(kept.started.values()) + timedelta(minutes=10)}
    assert kept.told([*kept.passes, more], late) == [
        ("passes", f"{more.road} with rubber: 5 passes, 4 planned; 1 more than planned")
    ]


def test_a_pass_out_of_its_place_is_told_and_the_others_are_not(kept):
    moved = kept.started | {kept.passes[0].name: kept.started[kept.passes[3].name] + timedelta(minutes=1)}
    ((kind, words),) = kept.told(started=moved)
    assert kind == "order"
    assert words.startswith("1 of 16 passes were not driven in their planned order")


def test_one_change_in_place_of_two_is_told(kept):
    ordered = sorted(kept.passes, key=lambda one: one.side == "after")
    started = {one.name: kept.plan.written + timedelta(minutes=n + 1) for n, one in enumerate(ordered)}
    words = [words for kind, words in kept.told(started=started) if kind == "order"]
    assert words[0].startswith("4 of 16 passes")
    assert words[1] == "changes of the part between passes: 1, and 2 planned"


def test_a_plan_written_after_the_first_drive_is_none_for_it(kept):
    late = replace(kept.plan, written_utc="2026-05-04T08:15:00+00:00")
    ((kind, words),) = kept.told(plan=late)
    assert (kind, f"after {kept.passes[0].name} had been driven" in words) == ("order", True)


def test_captures_without_a_start_are_named(kept):
    first = kept.passes[0].name
    rest = {name: start for name, start in kept.started.items() if name != first}
    assert kept.told(started=rest) == [
        ("order", f"{first} do not say when they began: their order cannot be held against the plan")
    ]


@pytest.mark.parametrize(
    ("conditions", "kind", "says"),
    [
        ({"speed_kmh": 47.0}, "speed", "aiming at 47 km/h"),
        ({"speed_kmh": None}, "speed", "aiming at an unknown speed"),
        ({"vehicle": "van"}, "conditions", "vehicle was to be 'minibus', and is 'van'"),
        ({"box_position": "sill"}, "conditions", "box position was to be 'tower', and is 'sill'"),
        ({"tyre_pressures_kpa": "300, 300, 350, 340"}, "conditions", "tyre pressures were to be"),
        ({"tyre_pressures_kpa": ""}, "conditions", "not written down"),
        ({"air_temperature_c": 13.0}, "conditions", "the air was to be 5 to 12 °C"),
        ({"air_temperature_c": None}, "conditions", "air temperature was to be held, and is not written down"),
    ],
)
def test_conditions_that_were_not_held_are_told(kept, conditions, kind, says):
    ((got, words),) = kept.told([changed(kept.passes[0], **conditions), *kept.passes[1:]])
    assert got == kind
    assert says in words
    assert kept.passes[0].name in words


def test_tyre_pressures_within_5_kpa_are_held(kept):
    """The drive procedure's own bound."""
    close = changed(kept.passes[0], tyre_pressures_kpa="304 296 350 350")
    assert kept.told([close, *kept.passes[1:]]) == []


def test_a_temperature_that_was_not_planned_is_told_when_it_strays(kept):
    free = replace(kept.plan, hold=replace(kept.plan.hold, air_temperature_c=None))
    warm = [changed(kept.passes[0], air_temperature_c=16.0), *kept.passes[1:]]
    assert kept.told(plan=free) == []
    ((_, words),) = kept.told(warm, plan=free)
    assert words == "the air went from 10 to 16 °C over the passes, more than 5 °C"


def test_other_names_than_the_plans_are_told(kept):
    told = kept.told(plan=replace(kept.plan, smooth="quarry-lane"))
    assert told == [("question", "the smooth road is 'bypass', and 'quarry-lane' was planned")]


def test_start_times_are_those_of_the_sidecars(make, by_hand, tmp_path):
    """One of two captures knows when it began, by ISO 8601 with the offset of a summer afternoon."""
    passes = []
    for number, host in ((1, {"started_utc": "2026-05-04T14:30:00+02:00"}), (2, {})):
        raw = tmp_path / f"drive-{number}.ttraw"
        raw.write_bytes(b"".join(by_hand.recording(0.2)))
        write_sidecar(raw, Conditions(), **host)
        one = make.one_pass({"jerk_z": [1.0]}, "before", "quarry-lane", number)
        with open_capture(decode_raw(raw, raw.with_suffix(".h5"))) as capture:
            passes.append(replace(one, path=capture.path, started=began(capture)))
    assert start_times(make.drives_of(passes)) == {"drive-1": datetime(2026, 5, 4, 12, 30, tzinfo=UTC)}


def test_the_offset_of_the_plans_time_counts(kept):
    """ISO 8601: half past nine two hours ahead of UTC is half past seven, before the first drive at ten past eight."""
    plan = replace(kept.plan, written_utc="2026-05-04T09:30:00+02:00")
    assert plan.written == datetime.fromisoformat("2026-05-04T07:30:00+00:00")
    assert kept.told(plan=plan) == []


def held(kept, make, started=None, plan=None, **used):
    """The cautions of the findings on drives like those planned, compared and held against a plan."""
    drives = make.invented(3, ratio=1.3)
    compared = compare(drives, metrics=["jerk_z"], gate="places", **used)
    return held_against(plan or kept.plan, compared, drives, kept.started if started is None else started).findings


def test_a_finding_as_planned_has_no_caution_of_the_plan(kept, make):
    plan = replace(kept.plan, metrics=("jerk_z",))
    assert not any("lead for the next plan" in line for one in held(kept, make, plan=plan) for line in one.cautions)


def test_a_plan_written_after_the_first_drive_is_held_against_every_finding(kept, make):
    early = {name: moment - timedelta(hours=1) for name, moment in kept.started.items()}
    for one in held(kept, make, early, margin=0.1):
        assert any("written after the first drive" in line and "a lead" in line for line in one.cautions)


def test_missing_passes_are_held_against_every_finding(kept, make):
    more = replace(kept.plan, drives=drive_order("rubber", "polyurethane", [r.name for r in ROADS], 6, 2, 7))
    for one in held(kept, make, plan=more):
        assert any("4 and 4 passes a side are here, and 6 were planned" in line for line in one.cautions)


def test_passes_beyond_the_plan_are_held_against_every_finding(kept, make):
    fewer = replace(kept.plan, drives=drive_order("rubber", "polyurethane", [r.name for r in ROADS], 2, 2, 7))
    for one in held(kept, make, plan=fewer):
        assert any("4 and 4 passes a side are here, and 2 were planned" in line for line in one.cautions)


def test_captures_that_do_not_say_when_they_began_do_not_show_that_the_plan_came_first(kept, make):
    for one in held(kept, make, {}):
        assert any("nothing shows that the plan came first" in line for line in one.cautions)


def test_metrics_left_out_are_held_against_every_finding(kept, make):
    more = replace(kept.plan, metrics=("jerk_z", "weighted_z", "acceleration_z"))
    for one in held(kept, make, plan=more):
        assert any("weighted_z and acceleration_z was planned and is not compared" in line for line in one.cautions)


@pytest.mark.parametrize(
    ("used", "change", "what"),
    [
        ({"quantile": 0.5}, {}, "gate"),
        ({}, {"smooth": "quarry-lane"}, "smooth road"),
        ({}, {"before": "polyurethane", "after": "rubber"}, "parts"),
    ],
)
def test_whatever_moves_a_finding_and_was_not_planned_is_held_against_it(kept, make, used, change, what):
    for one in held(kept, make, plan=replace(kept.plan, **change), **used):
        assert any(what in line and "not as planned" in line for line in one.cautions)
