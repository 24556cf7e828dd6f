"""Coefficients and overlaps by hand; what is unknown counts against the part."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.stats.design import Design, overlap
from towertap.compare.stats.planning import PlannedDesign

SATURDAYS = Design.of([0] * 6 + [1] * 6, ["a"] * 6 + ["b"] * 6, [1] * 6 + [2] * 6)


@pytest.mark.parametrize(
    ("order", "installation", "day"),
    [
        ("A;B", 2, 2),  # 1 + 1
        ("AB", 2, 0),
        ("AB|BA", 3 / 2, 0),  # 1/4 + 1 + 1/4
        ("AB|B'A", 1, 0),  # four halves
        ("AB|BA|AB", 10 / 9, 0),  # 1/9 + 4/9 + 4/9 + 1/9
        ("AB|B'A|A'B", 2 / 3, 0),  # six thirds
        ("A;B;A;B;A;B", 2 / 3, 2 / 3),
    ],
)
def test_coefficients_are_the_squares_of_the_weights_of_each_group(order, installation, day):
    design = PlannedDesign(order).design(2)
    assert design.installation_coefficient == pytest.approx(installation)
    assert design.day_coefficient == pytest.approx(day, abs=1e-12)


@pytest.mark.parametrize("stray", [3, 5, None])
def test_one_stray_pass_does_not_separate_the_day(stray):
    """A pass before the change, moved to the second day or to its own day, or without a date."""
    labels = [1] * 5 + [2 if stray == 3 else stray] + [2] * 6
    assert overlap(SATURDAYS).about == "part or day"
    assert overlap(Design.of(SATURDAYS.after, SATURDAYS.installation.tolist(), labels)).about == "part or day"


@pytest.mark.parametrize(("before", "after"), [(2, 2), (3, 3), (4, 4)])
def test_one_stray_pass_does_not_separate_the_day_with_few_passes_either(before, after):
    days = [1] * (before - 1) + [2] + [2] * after
    design = Design.of([0] * before + [1] * after, ["a"] * before + ["b"] * after, days)
    assert overlap(design).within_day == pytest.approx(1 / before)
    assert overlap(design).about == "part or day"


def test_unknown_days_count_as_confounded():
    """Unknown days count as one day per part, and are never better than a known one."""
    after, parts = [0] * 4 + [1] * 4, ["a"] * 4 + ["b"] * 4
    unknown = Design.of(after, [None] * 8, [None] * 8)
    assert unknown.day_coefficient == pytest.approx(2)
    assert unknown.installation_coefficient == pytest.approx(2)
    assert overlap(unknown).about == "part or day"
    half = Design.of(after, parts, [1, 1, None, None, 1, 1, 1, 1])
    assert half.day_coefficient == pytest.approx(0.5)
    leaning = Design.of(after, parts, [1, 1, 1, None, 2, 2, 2, 2])
    assert leaning.day_coefficient == pytest.approx(2)


def test_a_stray_pass_makes_no_installation():
    labels = [1, 1, 1, 1, 2, 3, 4, 4, 5, 5, 6, 6]
    assert overlap(Design.of([0] * 6 + [1] * 6, labels, [1] * 12)).installations == (3, 3)
    stray = [1] * 5 + [2] + [4, 4, 5, 5, 6, 6]
    assert overlap(Design.of([0] * 6 + [1] * 6, stray, [1] * 12)).installations == (1, 3)


@pytest.mark.parametrize(
    ("order", "says"),
    [("A;B", "part or day"), ("AB|BA", "part or installation"), ("AB|B'A|A'B", "part"), ("A;B;A;B;A;B", "part")],
)
def test_what_a_change_in_a_design_may_come_from(order, says):
    assert overlap(PlannedDesign(order).design(2)).about == says


def test_the_order_leans():
    lean = overlap(SATURDAYS, order=range(12))
    assert lean.order_lean == pytest.approx(6 / 11)
    turned = overlap(PlannedDesign("AB|BA").design(3), order=range(12))
    assert turned.order_lean == pytest.approx(0)
    assert overlap(SATURDAYS, order=[*range(11), None]).order_lean is None


def test_two_parts_never_share_an_installation():
    design = Design.of([0, 0, 1, 1], ["1", "1", "1", "1"], [1] * 4)
    assert np.unique(design.installation).size == 2
