"""The report's section on the plan: what was planned, what was not kept, and that there was none."""

from __future__ import annotations

from dataclasses import replace

from towertap.compare.plan.departures import held_against
from towertap.compare.plan.order import drive_order
from towertap.compare.plan.plan import Held, Plan, Road
from towertap.report.page import Picture, render

NONE = Picture("data:,", "none")
FIGURES = {
    "intervals": NONE,
    "boxes": NONE,
    "spectra": NONE,
    "traces": [],
    "alignment": NONE,
    "thirds": NONE,
    "spectrograms": [],
    "knocks": [],
    "speed": None,
}
ROADS = (Road("quarry-lane", 40.0), Road("bypass", 40.0))
PLAN = Plan(
    question="Is <this> harsher?",
    vehicle="minibus",
    before="rubber",
    after="polyurethane",
    smooth="bypass",
    roads=ROADS,
    metrics=("jerk_z",),
    margin=0.12,
    power=0.8,
    spread_cv=0.03,
    spread_from="said: 3 %",
    blocks=1,
    seed=1,
    hold=Held(),
    drives=drive_order("rubber", "polyurethane", [road.name for road in ROADS], 3, 1, 1),
    written_utc="2026-05-04T08:00:00+00:00",
)


def test_the_plan_and_the_departures_from_it_are_there(drives, comparison):
    """Three passes of each part on both roads, as planned; but compared with another margin and further metrics."""
    page = render(held_against(PLAN, comparison, drives, {}), drives, FIGURES, ())
    for told in (
        "Is &lt;this&gt; harsher?",
        "3 with each part on each road, 12 drives in all",
        "the margin is 10 %, and 12 % was planned",
        "weighted_z was not planned",
        "quarry-lane, jerk_z: margin not as planned",
        "quarry-lane, weighted_z: margin and metric not as planned",
    ):
        assert told in page


def test_another_gate_than_the_plans_is_a_departure(drives, comparison):
    """The comparison has been made with the defaults of `compare`, which are those of a plan."""
    kinds = [one.kind for one in held_against(PLAN, comparison, drives, {}).departures]
    assert "gate" not in kinds
    for changed in (replace(comparison, gate="windows"), replace(comparison, quantile=0.9)):
        assert held_against(PLAN, changed, drives, {}).departures[0].kind == "gate"


def test_a_plan_that_was_kept_is_told_as_kept(drives, comparison):
    page = render(replace(comparison, plan=PLAN), drives, FIGURES, ())
    assert "Driven and compared as planned." in page


def test_a_comparison_without_a_plan_says_so(drives, comparison):
    page = render(comparison, drives, FIGURES, ())
    assert "No plan was given." in page
    assert "as planned" not in page
