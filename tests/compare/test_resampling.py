"""The cross-checks over whole passes, against every arrangement by hand, Welch's test and their promised size."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import stats
from towertap.compare.resampling import bootstrap_interval, permutation_p
from towertap.compare.stats.contrast import contrast


def sides(n, seed, ratio=1.0, spread=(0.03, 0.03)):
    rng = np.random.default_rng(seed)
    return rng.lognormal(0, spread[0], n[0]), ratio * rng.lognormal(0, spread[1], n[1])


@pytest.mark.parametrize("n", [(4, 4), (4, 5)])
def test_permutation_is_the_share_of_all_arrangements_that_lie_as_far_apart(n):
    before, after = sides(n, 3, ratio=1.04)
    pool = np.log([*before, *after])
    seen = abs(stats.ttest_ind(np.log(after), np.log(before), equal_var=False).statistic)
    every = [
        abs(stats.ttest_ind(pool[list(chosen)], np.delete(pool, chosen), equal_var=False).statistic)
        for chosen in combinations(range(pool.size), n[0])
    ]
    assert permutation_p(before, after) == pytest.approx(np.mean(np.array(every) >= seen * (1 - 1e-9)))


def test_the_most_extreme_arrangement_of_four_and_four_is_one_in_35():
    assert permutation_p([1.0, 1.01, 1.02, 1.03], [2.0, 2.01, 2.02, 2.03]) == pytest.approx(2 / 70)


def test_the_bootstrap_lies_about_welchs_interval_and_covers_as_often():
    """For normal logarithms Welch's interval is right; 300 intervals stray by 1.3 points (binomial)."""
    widths, covered = [], []
    for seed in range(300):
        before, after = sides((5, 5), seed)
        low, high = bootstrap_interval(before, after)
        welch = contrast(before, after, 0.1).interval
        widths.append(np.log(high / low) / np.log(welch[1] / welch[0]))
        covered.append(low <= 1 <= high)
    assert np.median(widths) == pytest.approx(1.0, abs=0.1)
    assert 0.91 <= np.mean(covered) <= 0.98


@pytest.mark.parametrize(
    ("before", "after"),
    [([1.0, 1.1, 1.2], [1.0, 1.1, 1.2, 1.3]), ([1.0] * 4, [1.0, 1.1, 1.2, 1.3])],
)
def test_too_few_passes_or_copies_give_none(before, after):
    assert permutation_p(before, after) is None
    assert bootstrap_interval(before, after) is None
