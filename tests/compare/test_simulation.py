"""The error rates of the whole way from windows to verdict, on invented drives with fixed seeds.

Windows are correlated (0.6 at lag 1) and heavy-tailed (log-normal) and every pass has a level of its own, so what is
promised must hold although the windows break every assumption of a test over windows.
"""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.comparison import compare

N = 300
ROUGH, MEDIUM = 60.0, 20.0
"""Levels of a road over which the gate keeps nearly every window, and of one over which it keeps about half."""


def simulate(make, ratio, level, **options):
    """N findings, each of a comparison of its own."""
    drives = (make.invented(seed, ratio=ratio, roads={"lane": level}, **options) for seed in range(N))
    return [finding for one in drives for finding in compare(one, metrics=["jerk_z"], gate="windows")]


def share(findings, *verdicts):
    return np.mean([finding.verdict in verdicts for finding in findings])


def coverage(findings, ratio):
    return np.mean([finding.interval[0] <= ratio <= finding.interval[1] for finding in findings])


@pytest.mark.parametrize("level", [ROUGH, MEDIUM])
def test_nothing_changed_gives_few_false_alarms_by_passes(make, level):
    findings = simulate(make, 1.0, level)
    assert share(findings, "harsher", "gentler") <= 0.05
    assert 0.93 <= coverage(findings, 1.0) <= 0.97


def test_nothing_changed_gives_many_false_alarms_by_windows(make):
    """What the window t-test of common practice would have said, of the same kind of drives."""
    findings = simulate(make, 1.0, ROUGH, pass_spread=0.06, seconds=60)
    assert share(findings, "harsher", "gentler") <= 0.05
    assert np.mean([finding.window_t_test.p < 0.05 for finding in findings]) > 0.15


@pytest.mark.parametrize("level", [ROUGH, MEDIUM])
@pytest.mark.parametrize("ratio", [1.1, 1 / 1.1])
def test_a_change_exactly_at_the_margin_is_seldom_called_equivalent(make, ratio, level):
    findings = simulate(make, ratio, level)
    assert share(findings, "equivalent") <= 0.05
    assert 0.93 <= coverage(findings, ratio) <= 0.97


def test_the_smallest_difference_is_shown_about_four_times_in_five(make):
    """Each is estimated from few passes: taken here at the middle of many, as the spread itself is."""
    smallest = np.median([one.smallest_difference for one in simulate(make, 1.0, ROUGH, n=(8, 8))])
    shown = [one.p_difference < 0.05 for one in simulate(make, smallest, ROUGH, n=(8, 8))]
    assert np.mean(shown) == pytest.approx(0.80, abs=0.06)


def test_a_family_of_metrics_with_nothing_changed_raises_a_false_alarm_in_at_most_5_percent(make):
    metrics, roads = ("jerk_z", "weighted_z", "acceleration_z"), {"rough": ROUGH, "medium": MEDIUM}
    alarms = [
        any(one.verdict in ("harsher", "gentler") for one in compare(drives, metrics=metrics, gate="windows"))
        for drives in (make.invented(seed, roads=roads, metrics=metrics) for seed in range(120))
    ]
    assert np.mean(alarms) <= 0.05
