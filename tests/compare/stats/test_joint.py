"""Intervals of many bands that hold together: against scipy's and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from towertap.compare.stats.joint import joint_intervals

from tests.compare import band_coverage


def test_the_interval_of_a_single_band_is_scipys():
    """scipy.stats.ttest_ind without equal variances is Welch's (1947); one band shares its level with no other."""
    rng = np.random.default_rng(1)
    before, after = rng.normal(0, 0.03, (4, 1)), rng.normal(0.1, 0.05, (5, 1))
    ratio, low, high = joint_intervals(before, after)
    expected = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert np.log(ratio) == pytest.approx(after.mean() - before.mean())
    assert np.log([low, high]) == pytest.approx(np.array(expected))


def test_intervals_of_many_bands_are_never_narrower_than_scipys_with_bonferronis_share():
    rng = np.random.default_rng(2)
    before, after = rng.normal(0, 0.03, (4, 21)), rng.normal(0, 0.03, (4, 21))
    _, low, high = joint_intervals(before, after)
    alone = stats.ttest_ind(after, before, equal_var=False).confidence_interval(1 - 0.05 / 21)
    assert np.all(np.log(low) <= alone.low + 1e-12)
    assert np.all(np.log(high) >= alone.high - 1e-12)


@pytest.mark.parametrize(
    ("passes", "spreads"), [("4 + 4", "both alike"), ("4 + 4", "after 3 times"), ("2 + 6", "both alike")]
)
def test_all_intervals_hold_at_once_in_95_percent(passes, spreads):
    """600 sets, standard error 0.9 %; the script runs more of them."""
    how = band_coverage.PASSES[passes], band_coverage.SPREADS[spreads]
    ours, plain = band_coverage.joint_coverage(600, *how)
    assert ours >= 0.95 - 2 * 0.009
    if passes == "2 + 6":
        assert plain < 0.93  # which the limit on the degrees of freedom prevents


def test_bands_are_compared_by_block_if_the_plan_pairs_the_parts():
    """A drift from block to block cancels with a pass missing too: additive data give the part's effect exactly."""
    blocks = [1, 1, 2, 2], [1, 1, 2]
    drift = np.array([0.0, 0.2])
    rng = np.random.default_rng(3)
    before = drift[np.array(blocks[0]) - 1, None] + 1e-3 * rng.standard_normal((4, 3))
    after = 0.1 + drift[np.array(blocks[1]) - 1, None] + 1e-3 * rng.standard_normal((3, 3))
    ratios, lows, highs = joint_intervals(before, after, np.concatenate(blocks))
    assert ratios == pytest.approx(np.exp(0.1), abs=3e-3)
    assert np.all((lows < np.exp(0.1)) & (np.exp(0.1) < highs) & (highs - lows < 0.02))
    plain, _, _ = joint_intervals(before, after)
    assert np.all(np.abs(plain - np.exp(0.1)) > 0.02)
