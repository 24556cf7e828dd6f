"""The report's section on the plan: what was planned, departures from it, and no plan at all."""

from __future__ import annotations

import html
from dataclasses import replace

import pytest
from towertap.compare.comparison import compare
from towertap.drawing.picture import DrawnPicture
from towertap.report.page import render
from towertap.words.table import tabulate

from tests import plans


@pytest.fixture
def plan():
    return plans.plan(question="Is <this> harsher?", margin=0.12, passes=3, design="AB")


def page(comparison):
    no_picture = DrawnPicture("", "", "", (), tabulate("", []))
    return render(comparison, no_picture, {name: [] for name in comparison.evidence})


def test_the_plan_and_the_departures_from_it_are_there(recorded, plan):
    """Three passes of each part on both roads, as planned; but compared with another margin and further metrics."""
    comparison = compare(recorded, margin=0.10, metrics=["jerk_z", "weighted_z"], plan=plan)
    source = page(comparison).replace("\u00a0", " ")
    assert "Is &lt;this&gt; harsher?" in source
    for words in (
        f"Not as planned in {len(comparison.departures)} points.",
        "3 with each part on each road, 12 drives in all",
        "The margin is 10 %, and 12 % was planned",
        "Weighted vertical acceleration was not planned",
        "Not as planned, perhaps chosen after seeing the data, so a lead and not a decision: the margin is",
    ):
        assert words in html.unescape(source)


def test_a_plan_that_was_kept_is_said_to_be(compared, plan):
    assert "Driven and compared as planned." in page(replace(compared, plan=plan))


def test_a_comparison_without_a_plan_says_so(compared):
    assert "No plan was given: margin, metrics and roads may have been chosen after seeing the data." in page(compared)
    assert "as planned" not in page(compared)
