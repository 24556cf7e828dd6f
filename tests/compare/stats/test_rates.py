"""Comparing counts of passes: exact and quasi-Poisson ratios against statsmodels and scipy; error rates."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.api import GLM
from statsmodels.genmod.families import Poisson
from statsmodels.stats.rates import confint_poisson, test_poisson_2indep
from towertap.compare.stats.rates import deviance_ratio, exact_ratio, poisson_interval, rate_ratio

from tests.compare import knocks_error_rates

test_poisson_2indep.__test__ = False  # not one of our tests


@pytest.mark.parametrize(("count", "exposure"), [(1, 2.0), (7, 0.5), (40, 3.0)])
def test_interval_of_a_rate_is_that_of_statsmodels(count, exposure):
    assert poisson_interval(count, exposure) == pytest.approx(confint_poisson(count, exposure, "exact-c"))


def test_none_is_bounded_by_the_exact_rule_of_three():
    """With none seen, a rate of −ln 0.05 / t would show something 95 times in 100 (Hanley and Lippman-Hand 1983)."""
    assert poisson_interval(0, 2.0) == pytest.approx((0.0, 2.995732 / 2))


@pytest.mark.parametrize(("counts", "exposures"), [((5, 15), (2.0, 2.5)), ((1, 0), (1.0, 1.0)), ((9, 0), (4.0, 3.0))])
def test_exact_ratio_agrees_with_statsmodels(counts, exposures):
    """Twice the smaller of its one-sided p; each limit is the ratio that one of them just accepts at 2.5 %."""

    def theirs(side, value=1.0):
        numbers = counts[1], exposures[1], counts[0], exposures[0]
        return test_poisson_2indep(*numbers, value=value, method="exact-cond", alternative=side).pvalue

    (low, high), p = exact_ratio(counts, exposures)
    assert p == pytest.approx(min(1.0, 2 * min(theirs("larger"), theirs("smaller"))))
    assert (low == 0) == (counts[1] == 0)
    for limit, side in ((low, "larger"), (high, "smaller")):
        assert limit == 0 or theirs(side, limit) == pytest.approx(0.025, rel=1e-4)
    (other_low, other_high), other_p = exact_ratio(counts[::-1], exposures[::-1])
    assert (other_p, other_low) == pytest.approx((p, 1 / high))
    assert other_high == pytest.approx(1 / low if low else np.inf)


def poisson_fit(counts, exposures, design, ratio=1.0):
    """statsmodels' Poisson regression of the counts of all passes; the second half's rate is `ratio` times as high."""
    offset = np.log(exposures) + np.repeat([0.0, np.log(ratio)], len(counts) // 2)
    return GLM(counts, design, family=Poisson(), offset=offset).fit(tol=1e-12)


@pytest.mark.parametrize("counts", [[8, 0, 4, 36, 12, 14, 9, 70], [3, 1, 2, 30, 0, 1, 0, 1], [0, 0, 0, 0, 3, 2, 1, 20]])
def test_deviance_is_that_of_statsmodels_and_just_accepts_the_limits(counts):
    """F of the deviances of its Poisson regressions; a side without a knock is fitted by the limit of no rate."""
    minutes = np.tile([0.2, 0.2, 0.2, 1.8], 2)
    alike, apart = np.ones((8, 1)), np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
    sums = sum(counts[:4]), sum(counts[4:])
    free = poisson_fit(counts, minutes, apart) if all(sums) else poisson_fit(counts[4:], minutes[4:], alike[4:])
    (low, high), p = deviance_ratio(sums, (2.4, 2.4), 2.5, 6)

    def theirs(ratio):
        return stats.f.sf((poisson_fit(counts, minutes, alike, ratio).deviance - free.deviance) / 2.5, 1, 6)

    assert p == pytest.approx(theirs(1.0))
    assert theirs(low) == pytest.approx(0.05, rel=1e-6)
    assert high == np.inf if not sums[0] else theirs(high) == pytest.approx(0.05, rel=1e-6)


def test_the_dispersion_of_unequal_passes_is_pearsons_by_statsmodels():
    minutes, counts = np.tile([0.2, 0.2, 0.2, 1.8], 2), [8, 0, 4, 36, 0, 4, 1, 19]
    fitted = poisson_fit(counts, minutes, np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)]))
    ratio = rate_ratio(counts[:4], counts[4:], minutes[:4], minutes[4:])
    assert ratio.dispersion == pytest.approx(fitted.pearson_chi2 / fitted.df_resid)
    # By hand: 48 knocks make 4, 4, 4 and 36 the expectation before, 24 make 2, 2, 2 and 18 after.
    assert ratio.dispersion == pytest.approx((16 / 4 + 16 / 4 + 4 / 2 + 4 / 2 + 1 / 2 + 1 / 18) / 6)


def test_a_long_pass_that_deviates_is_compared_with_the_others():
    """The jackknife variance of a ratio of sums (Cochran, Sampling Techniques, 6.17), leaving out each pass in turn."""
    minutes, counts = np.array([0.2, 0.2, 0.2, 1.8]), np.array([1, 2, 1, 80])
    rates = np.array([np.delete(counts, i).sum() / np.delete(minutes, i).sum() for i in range(4)])
    full = counts.sum() / minutes.sum()
    variance = 3 / 4 * np.square(rates - full).sum()
    ratio = rate_ratio(counts, [0, 0, 0, 0], minutes, minutes)
    assert ratio.dispersion == pytest.approx(variance / (full / minutes.sum()))


def test_passes_that_scatter_widen_the_interval():
    even = rate_ratio([5, 5, 5, 5], [10, 10, 10, 10], np.ones(4), np.ones(4))
    uneven = rate_ratio([0, 10, 1, 9], [20, 1, 18, 1], np.ones(4), np.ones(4))
    assert even.ratio == uneven.ratio == 2.0
    assert even.p < 0.05 < uneven.p
    assert uneven.interval[0] < even.interval[0] < even.interval[1] < uneven.interval[1]
    # Pearson's chi-square by hand: squared distances from the means 5 and 10, over them, with 6 degrees of freedom.
    by_hand = ((25 + 25 + 16 + 16) / 5 + (100 + 81 + 64 + 81) / 10) / 6
    assert uneven.dispersion == pytest.approx(by_hand)


def test_the_interval_leaves_out_1_where_p_is_below_5_percent():
    rng = np.random.default_rng(5)
    decided = []
    for _ in range(400):
        before, after = rng.poisson(rng.gamma(4.0, rng.uniform(0.2, 4, (2, 1)), (2, 3)))
        ratio = rate_ratio(before, after, [1, 2, 1], [1, 1, 3])
        if ratio.p is not None:
            decided.append((ratio.p < 0.05, not ratio.interval[0] <= 1 <= ratio.interval[1]))
    assert all(p == interval for p, interval in decided)
    assert 10 < sum(p for p, _ in decided) < len(decided) - 10


def test_none_on_one_side_is_decided_by_the_other_sides_scatter():
    """F = 60 ln 2 with 1 and 2 degrees of freedom: the deviance of 0 and 30 as 15 and 15, the scatter below 1."""
    ratio = rate_ratio([0, 0, 0], [10, 10, 10], np.ones(3), np.ones(3))
    assert ratio.p == pytest.approx(stats.f.sf(60 * np.log(2), 1, 2))
    assert ratio.interval[0] > 1
    assert ratio.interval[1] == np.inf
    assert rate_ratio([0, 0, 0], [30, 0, 0], np.ones(3), np.ones(3)).p > 0.05


def test_one_pass_per_side_decides_nothing():
    assert rate_ratio([3], [30], [1.0], [1.0]).p is None


@pytest.mark.parametrize(
    ("mean", "dispersion", "more"),
    [
        (1.0, 1.0, {}),
        (4.0, 4.0, {}),
        (20.0, 2.0, {}),
        (20.0, 4.0, {"minutes": knocks_error_rates.UNEQUAL}),
        (20.0, 1.0, {"minutes": knocks_error_rates.UNEQUAL, "shape": 4.0}),
    ],
)
def test_no_change_is_shown_different_in_at_most_5_percent(mean, dispersion, more):
    """A short run of knocks_error_rates.py; three standard errors of 400 sets are allowed."""
    share, covered = knocks_error_rates.shares(400, mean, dispersion, **more)
    assert share <= 0.05 + 3 * (0.05 * 0.95 / 400) ** 0.5
    assert covered >= 0.95 - 3 * (0.05 * 0.95 / 400) ** 0.5
