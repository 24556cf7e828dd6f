"""The error rates of the whole way from windows to verdict, on invented drives with fixed seeds.

Windows are correlated (0.6 at lag 1) and heavy-tailed (log-normal) and every pass has a level of its own, so what is
promised must hold although the windows break every assumption of a test over windows.
"""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.comparison import compare

N = 400
ROADS = {"rough": 60.0, "medium": 20.0}
"""Over the one the gate keeps nearly every window, over the other about half."""


def simulate(make, ratio, **options):
    """N findings a road, one comparison each, as a dict road → findings."""
    found = {road: [] for road in ROADS}
    for seed in range(N):
        for road, level in ROADS.items():
            drives = make.invented((seed, len(road)), ratio=ratio, roads={road: level}, **options)
            found[road] += compare(drives, metrics=["jerk_z"])
    return found


def share(findings, *verdicts):
    return np.mean([finding.verdict in verdicts for finding in findings])


def coverage(findings, ratio):
    return np.mean([finding.interval[0] <= ratio <= finding.interval[1] for finding in findings])


def test_nothing_changed_gives_few_false_alarms_by_passes_and_many_by_windows(make):
    found = simulate(make, 1.0, pass_spread=0.06, seconds=60)
    for findings in found.values():
        assert share(findings, "harsher", "gentler") <= 0.05
        assert 0.93 <= coverage(findings, 1.0) <= 0.97
    by_windows = np.mean([finding.window_t_test.p < 0.05 for finding in found["rough"]])
    assert by_windows > 0.15


@pytest.mark.parametrize("ratio", [1.1, 1 / 1.1])
def test_a_change_exactly_at_the_margin_is_seldom_called_equivalent(make, ratio):
    for findings in simulate(make, ratio).values():
        assert share(findings, "equivalent") <= 0.05
        assert 0.93 <= coverage(findings, ratio) <= 0.97


def test_the_smallest_difference_is_shown_about_four_times_in_five(make):
    """Spread is itself estimated from few passes, so the figure is right on average of its logarithm, not each time."""
    typical = np.exp(np.mean([np.log(one.smallest_difference) for one in simulate(make, 1.0, n=(8, 8))["rough"]]))
    found = simulate(make, typical, n=(8, 8))["rough"]
    assert np.mean([one.p_difference < 0.05 for one in found]) == pytest.approx(0.80, abs=0.06)


def test_a_family_of_metrics_with_nothing_changed_raises_a_false_alarm_in_at_most_5_percent(make):
    metrics = ("jerk_z", "weighted_z", "acceleration_z")
    alarms = [
        any(one.verdict in ("harsher", "gentler") for one in compare(drives, metrics=metrics))
        for drives in (make.invented(seed, roads=ROADS, metrics=metrics, seconds=30) for seed in range(150))
    ]
    assert np.mean(alarms) <= 0.05
