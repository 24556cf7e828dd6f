"""One ratio over all roads, whether they differ, and the smooth road: libraries, hand calculation, short runs."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.oneway import anova_oneway
from towertap.compare.stats.contrast import Student, pass_contrast
from towertap.compare.stats.roads import p_roads_differ, rounds, smooth_control

from tests.compare.stats import one_ratio


def test_the_ratio_over_all_roads_is_the_mean_of_the_roads_own():
    logs, road, number, after = one_ratio.driven(1, 3, 4, 0.3, 1, by_road=(0.0, 0.1, 0.3))
    own, by_round, _ = one_ratio.contrasts(logs, road, number, after)
    assert by_round.difference[0] == pytest.approx(np.mean([contrast.difference[0] for contrast in own]))


def test_a_round_without_one_road_is_left_out():
    """By hand: one road changed by 0.2, the other not; a round of the first alone would bias the ratio."""
    logs = np.array([1.0, 1.1, 9.0, 5.0, 5.3, 1.2, 1.3, 9.0, 5.0, 5.3])
    road = ["lane", "lane", "lane", "moor", "moor"] * 2
    after = np.repeat([False, True], 5)
    of_rounds, first = rounds(logs, road, [1, 2, 3, 1, 2] * 2, after)
    assert of_rounds == pytest.approx([3.0, 3.2, 3.1, 3.3])
    assert first.tolist() == [0, 1, 5, 6]
    assert pass_contrast(of_rounds, after[first]).difference == pytest.approx(0.1)


def test_a_road_driven_twice_in_a_round_counts_once():
    of_rounds, _ = rounds([1.0, 3.0, 5.0], ["lane", "lane", "moor"], [1, 1, 1], [False] * 3)
    assert of_rounds == pytest.approx([3.5])


def test_roads_are_tested_by_welchs_f():
    """Against statsmodels' one-way analysis of variance for unequal variances (Welch 1951), on groups' own means."""
    draw = np.random.default_rng(3)
    groups = [draw.normal(0.1 * place, 0.05 * (place + 1), 4 + place) for place in range(4)]
    library = anova_oneway(groups, use_var="unequal", welch_correction=True)
    roads = [Student(group.mean(), group.std(ddof=1) / np.sqrt(group.size), group.size - 1.0) for group in groups]
    assert p_roads_differ(roads) == pytest.approx(library.pvalue)


def test_power_and_false_alarms_of_one_ratio():
    """2,000 sets over two roads, four rounds each: what both roads share stays in the error."""
    for shared in (0.0, 0.5):
        row = one_ratio.power(2000, 2, 4, shared)
        assert row["by rounds shown"] > row["one road shown"] + 0.05
        assert row["by rounds false"] <= 0.05
    assert row["as if independent false"] > 0.08


def test_equal_roads_are_rarely_shown_to_differ():
    shown, _ = one_ratio.differ(2000, 3, 3, 0.0, (0.1, 0.1, 0.1))
    assert shown <= 0.05
    assert one_ratio.differ(2000, 3, 6, 0.0, (0.0, 0.1, 0.2))[0] > 0.9


@pytest.mark.parametrize(
    ("rough", "smooth", "reading"),
    [
        (0.15, 0.15, "moved alike"),
        (0.15, 0.0, "rough moved more"),
        (0.0, 0.15, "smooth moved more"),
        (-0.02, 0.15, "smooth moved more"),
        (-0.10, 0.15, "moved apart"),
        (-0.15, 0.10, "rough moved more"),
        (0.02, 0.0, "smooth held still"),
    ],
)
def test_the_smooth_road_as_a_control(rough, smooth, reading):
    over, of_both = smooth_control(Student(rough, 0.02, 10.0), Student(smooth, 0.02, 10.0), 0.10)
    assert of_both == reading
    assert over.difference == pytest.approx(rough - smooth)
    assert over.error == pytest.approx(0.02 * np.sqrt(2))
    assert over.df == pytest.approx(20)


def test_a_smooth_road_with_large_errors_is_not_said_to_hold_still():
    assert smooth_control(Student(0.1, 0.1, 4.0), Student(0.05, 0.1, 4.0), 0.10)[1] == "cannot tell"


def test_a_day_that_acts_on_every_road_is_rarely_read_as_the_rough_roads_own():
    row = one_ratio.readings(400, 6, 0.15, 0.15)
    assert row["moved alike"] > 0.85
    assert row.get("rough moved more", 0) <= 0.06
