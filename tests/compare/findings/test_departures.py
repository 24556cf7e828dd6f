"""Departures from a plan, on drives invented to keep it and then to break it one point at a time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from towertap.capture.reading import open_capture
from towertap.compare.caution import Weight
from towertap.compare.comparison import compare
from towertap.compare.drives.model import metric_of
from towertap.compare.drives.reading import began
from towertap.compare.findings.departures import (
    DRIVE_THE_REST,
    FIND_WRONG_PART,
    Departure,
    departures,
    leads,
    mislabelled,
    missing,
)
from towertap.compare.plan.plan import HeldConditions

from tests import plans

PARTS = ("rubber", "polyurethane")
ROADS = {"quarry-lane": 40.0, "bypass": 80.0}
HELD = {
    "tyre_pressures_kpa": "300, 300, 350, 350",
    "air_temperature_c": 10.0,
    "box_position": "tower",
    "mounting": "x=+X,y=+Y,z=+Z",
}
SWAPPED = {"before": "polyurethane", "after": "rubber", "drives": plans.order(("polyurethane", "rubber"), seed=7)}
"""A plan of the change the other way round."""


@pytest.fixture
def case(make):
    """A plan, and drives that keep it: passes in driving order and their start times."""
    plan = plans.plan(
        ROADS,
        metrics=("jerk_z", "weighted_z"),
        seed=7,
        hold=HeldConditions(**(HELD | {"air_temperature_c": (5.0, 12.0)})),
    )
    passes = []
    for number, planned in enumerate(plan.drives, start=1):
        side = "before" if planned.part == "rubber" else "after"
        drive = make.one_pass({"jerk_z": [1.0, 2.0]}, side, planned.road, planned.pass_number)
        conditions = replace(drive.conditions, **HELD, speed_kmh=plan.speed_kmh(planned.road))
        started = plan.written + timedelta(minutes=10 * number)
        passes.append(replace(drive, conditions=conditions, started=started))

    def departures_of(passes=passes, margin=0.1, metrics=("jerk_z", "weighted_z"), plan=plan):
        study = make.on_whole_passes(make.drives_of(passes), margin=margin)
        remarks = departures(plan, replace(study, metrics=tuple(map(metric_of, metrics))))
        return [(departure.kind, departure.words) for departure in remarks]

    return SimpleNamespace(plan=plan, passes=passes, departures=departures_of)


def changed(drive, **conditions):
    return replace(drive, conditions=replace(drive.conditions, **conditions))


def test_a_plan_that_was_kept_has_no_departures(case):
    assert case.departures() == []


def test_a_margin_or_metric_that_was_not_planned_may_have_been_chosen_after_the_data(case):
    (margin,) = case.departures(margin=0.12)
    assert margin[0] == "margin"
    assert margin[1] == "the margin is 12 %, and 10 % was planned"
    (metric,) = case.departures(metrics=("jerk_z", "weighted_z", "harshness_z"))
    assert metric[1] == "vertical harshness was not planned"
    assert case.departures(metrics=("jerk_z",)) == [
        ("metric", "weighted vertical acceleration was planned but is not compared")
    ]


def test_missing_and_further_passes_are_counted(case):
    assert case.departures(case.passes[:-1])[0] == (
        "missing",
        f"{case.passes[-1].road} with rubber: 3 of 4 planned passes are here",
    )
    more = changed(case.passes[-1], pass_number=5)
    late = more.started + timedelta(minutes=10)
    more = replace(more, path=more.path.with_name("more.h5"), started=late)
    assert case.departures([*case.passes, more]) == [
        ("passes", f"{more.road} with rubber: 5 passes, 4 planned; 1 more than planned")
    ]


def test_only_the_pass_out_of_order_is_reported(case):
    later = replace(case.passes[0], started=case.passes[3].started + timedelta(minutes=1))
    ((kind, words),) = case.departures([later, *case.passes[1:]])
    assert kind == "order"
    assert words.startswith("1 of 16 passes were not driven in their planned order")


def test_one_change_instead_of_two_is_reported(case):
    ordered = sorted(case.passes, key=lambda drive: drive.side == "after")
    driven = [
        replace(drive, started=case.plan.written + timedelta(minutes=number))
        for number, drive in enumerate(ordered, start=1)
    ]
    words = [words for kind, words in case.departures(driven) if kind == "order"]
    assert words[0].startswith("4 of 16 passes")
    assert words[1] == "changes of the part between passes: 1, and 2 planned"


def test_a_capture_with_the_wrong_part_gets_a_caution(case):
    """Two captures of the first stretches of A B B A, their parts swapped: A changes to B and back in each."""
    first = {part: next(drive for drive in case.passes if drive.conditions.part == part) for part in PARTS}
    other = dict(zip(PARTS, reversed(PARTS), strict=True))
    swapped = [
        changed(drive, part=other[drive.conditions.part]) if drive in first.values() else drive for drive in case.passes
    ]
    departed = [Departure(kind, words) for kind, words in case.departures(swapped) if kind == "refits"]
    (caution,) = mislabelled(departed)
    assert caution.words.startswith("Changes of the part between passes: ")
    assert caution.words.endswith(", and 2 planned: a capture may say the wrong part.")
    assert caution.remedy == FIND_WRONG_PART


def test_a_plan_written_after_the_first_drive_is_reported(case):
    late = replace(case.plan, written_utc="2026-05-04T08:15:00+00:00")
    ((kind, words),) = case.departures(plan=late)
    assert (kind, f"after {case.passes[0].name} had been driven" in words) == ("order", True)


def test_captures_without_a_start_are_named(case):
    first, *others = case.passes
    assert case.departures([replace(first, started=None), *others]) == [
        ("order", f"{first.name} do not say when they began, so nothing shows that the plan came first")
    ]


@pytest.mark.parametrize(
    ("conditions", "kind", "says"),
    [
        ({"speed_kmh": 47.0}, "speed", "aiming at 47 km/h"),
        ({"speed_kmh": None}, "speed", "aiming at an unknown speed"),
        ({"vehicle": "van"}, "conditions", "vehicle was planned as 'minibus', but is 'van'"),
        ({"box_position": "sill"}, "conditions", "box position was planned as 'tower', but is 'sill'"),
        ({"tyre_pressures_kpa": "300, 300, 350, 340"}, "conditions", "tyre pressures were planned as"),
        ({"tyre_pressures_kpa": ""}, "conditions", "not written down"),
        ({"air_temperature_c": 13.0}, "conditions", "the air was planned at 5 to 12 °C"),
        ({"air_temperature_c": None}, "conditions", "air temperature was to be held, but is not written down"),
    ],
)
def test_conditions_that_were_not_held_are_reported(case, conditions, kind, says):
    ((got, words),) = case.departures([changed(case.passes[0], **conditions), *case.passes[1:]])
    assert got == kind
    assert says in words
    assert case.passes[0].name in words


def test_tyre_pressures_within_5_kpa_are_held(case):
    """The drive procedure's own limit."""
    close = changed(case.passes[0], tyre_pressures_kpa="304 296 350 350")
    assert case.departures([close, *case.passes[1:]]) == []


def test_a_temperature_that_was_not_planned_is_no_departure(case):
    """A remark on the drives says that the air changed, with or without a plan."""
    free = replace(case.plan, hold=replace(case.plan.hold, air_temperature_c=None))
    warm = [changed(case.passes[0], air_temperature_c=16.0), *case.passes[1:]]
    assert case.departures(warm, plan=free) == []


def test_names_other_than_the_plans_are_reported(case):
    departed = case.departures(plan=replace(case.plan, smooth="quarry-lane"))
    assert departed == [("question", "the smooth road is 'bypass', and 'quarry-lane' was planned")]


def test_a_capture_began_when_its_sidecar_says(by_hand, tmp_path):
    """One of two captures has a start time, in ISO 8601 with a summer time offset."""
    began_at = []
    for number, host in ((1, {"started_utc": "2026-05-04T14:30:00+02:00"}), (2, {})):
        path = by_hand.capture(tmp_path / f"drive-{number}", by_hand.recording(0.2), sidecar=host)
        with open_capture(path) as capture:
            began_at.append(began(capture))
    assert began_at == [datetime(2026, 5, 4, 12, 30, tzinfo=UTC), None]


def test_the_offset_of_the_plans_time_counts(case):
    """ISO 8601: half past nine two hours ahead of UTC is half past seven, before the first drive at ten past eight."""
    plan = replace(case.plan, written_utc="2026-05-04T09:30:00+02:00")
    assert plan.written == datetime.fromisoformat("2026-05-04T07:30:00+00:00")
    assert case.departures(plan=plan) == []


@pytest.fixture
def leads_of(case, make):
    """A function from a plan and the drives' start times to the cautions."""

    def leads_of(plan, minutes=10.0):
        began_at = None if minutes is None else plan.written + timedelta(minutes=minutes)
        drives = make.invented(3, ratio=1.3)
        dated = replace(drives, passes=tuple(replace(drive, started=began_at) for drive in drives.passes))
        return list(leads(departures(plan, make.on_whole_passes(dated))))

    return leads_of


@pytest.fixture
def plan(case):
    """A plan of exactly the metric, road and passes that are compared."""
    return replace(case.plan, metrics=("jerk_z",))


def test_what_was_done_as_planned_makes_no_lead(plan, leads_of):
    assert leads_of(plan) == []


def test_a_plan_written_after_the_first_drive_makes_a_lead(plan, leads_of):
    (caution,) = leads_of(plan, minutes=-50)
    assert caution.words.startswith(
        "Not as planned, perhaps chosen after seeing the data, so a lead and not a decision: the plan was "
    )
    assert caution.words.endswith(" had been driven.")


def test_captures_without_a_start_time_do_not_show_that_the_plan_came_first(plan, leads_of):
    (caution,) = leads_of(plan, minutes=None)
    assert "nothing shows that the plan came first" in caution.words


def test_more_passes_than_planned_make_a_lead(plan, leads_of):
    (caution,) = leads_of(replace(plan, drives=plans.order(passes=2, seed=7)))
    assert caution.words.count("4 passes, 2 planned") == 2
    assert caution.words.endswith("; and 2 more.")


def test_missing_passes_can_be_driven_and_are_not_called_chosen(plan, make):
    planned = replace(plan, drives=plans.order(passes=6, seed=7))
    departed = departures(planned, make.on_whole_passes(make.invented(3, ratio=1.3)))
    (caution,) = missing(departed)
    assert caution.words.startswith("Missing: ")
    assert caution.words.count("4 of 6 planned passes are here") == 2
    assert (caution.weight, caution.remedy) == (Weight.WEAKENS, DRIVE_THE_REST)
    assert not any("planned passes are here" in lead.words for lead in leads(departed))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"metrics": ("jerk_z", "weighted_z")}, "weighted vertical acceleration was planned but is not compared"),
        ({"margin": 0.2}, "the margin is 10 %, and 20 % was planned"),
        (SWAPPED, "the part before is 'rubber', and 'polyurethane' was planned"),
        ({"smooth": "quarry-lane"}, "the smooth road is 'bypass', and 'quarry-lane' was planned"),
    ],
)
def test_any_unplanned_choice_that_affects_a_finding_makes_a_lead(plan, leads_of, change, says):
    (caution,) = leads_of(replace(plan, **change))
    assert says in caution.words


def test_a_comparison_takes_missing_options_from_the_plan_and_reports_departures(make, plan):
    drives = make.invented(3, ratio=1.3, metrics=("jerk_z", "weighted_z"))
    case = compare(drives, plan=replace(plan, margin=0.12))
    assert (case.margin, {finding.metric for finding in case}) == (0.12, {"jerk_z"})
    assert [departure.kind for departure in case.departures] == ["order", "speed", *["conditions"] * 4]
    otherwise = compare(drives, metrics=["weighted_z"], plan=plan)
    kinds = [departure.kind for departure in otherwise.departures]
    assert kinds[:2] == ["metric", "metric"]
    assert all(finding.primary is False for finding in otherwise)
