"""Power and numbers of passes against statsmodels, a published value, numerical integration and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.stats.power import TTestIndPower
from towertap.compare.stats.power import (
    coefficient_of_variation,
    difference_power,
    equivalence_power,
    given_spread,
    pilot_spread,
    strength,
)
from towertap.compare.stats.ratio import contrast
from towertap.errors import AnalysisError

SPREAD = 0.04


@pytest.mark.parametrize("passes", [2, 3, 4, 8, 20])
@pytest.mark.parametrize("effect", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_students_power_is_that_of_statsmodels(passes, effect, alpha):
    expected = TTestIndPower().power(effect, passes, alpha)
    got = difference_power(np.exp(effect * SPREAD), SPREAD, passes, alpha, welch=False)
    assert got == pytest.approx(expected, abs=3e-4)


@pytest.mark.parametrize("effect", [0.6, 1.0, 1.5])
def test_students_sample_size_is_that_of_statsmodels(effect):
    expected = int(np.ceil(TTestIndPower().solve_power(effect, power=0.8, alpha=0.05)))
    powers = (difference_power(np.exp(effect * SPREAD), SPREAD, n, welch=False) for n in range(2, 100))
    assert next(n for n, power in enumerate(powers, start=2) if power >= 0.8) == expected


def test_equivalence_power_of_a_published_value():
    """The R package PowerTOST, documentation of exppower.TOST: power.TOST(CV = 0.3, n = 40) gives 0.8158453, for a
    2×2 cross-over, limits 0.80 to 1.25, true ratio 0.95, by Owen's Q. Its error is sqrt(2 / n) of the within-subject
    spread with n − 2 degrees of freedom: two groups of 20 with a spread smaller by sqrt(2)."""
    spread = given_spread(0.3).value / np.sqrt(2)
    assert equivalence_power(0.25, spread, 20, ratio=0.95, welch=False) == pytest.approx(0.8158453, abs=5e-5)


@pytest.mark.parametrize(("passes", "ratio"), [(3, 1.0), (4, 1.03), (10, 0.96), (10, 1.1)])
def test_students_equivalence_power_is_its_integral(passes, ratio):
    """The definition (Phillips 1990): the normal probability of the acceptance region over the chi density."""
    df, error, bound = 2 * passes - 2, SPREAD * np.sqrt(2 / passes), np.log(1.1)
    critical = stats.t.isf(0.05, df)

    def accepted(chi):
        reach = critical * chi / np.sqrt(df) * error
        region = stats.norm.cdf([-bound + reach, bound - reach], np.log(ratio), error)
        return max(region[1] - region[0], 0.0) * stats.chi.pdf(chi, df)

    expected, _ = integrate.quad(accepted, 0, bound / (critical * error) * np.sqrt(df), limit=200)
    assert equivalence_power(0.1, SPREAD, passes, ratio=ratio, welch=False) == pytest.approx(expected, abs=3e-4)


@pytest.mark.parametrize("passes", [2, 3, 6])
def test_powers_are_those_that_the_verdicts_own_tests_reach(passes):
    """Welch's tests as `contrast` does them, simulated: with few passes they have less power than Student's."""
    rng = np.random.default_rng(5)
    different, equivalent, n = 0, 0, 1500
    for before, after in SPREAD * rng.standard_normal((n, 2, passes)):
        different += contrast(np.exp(before), 1.1 * np.exp(after), 0.1).p_difference < 0.05
        equivalent += contrast(np.exp(before), np.exp(after), 0.1).p_equivalence < 0.05
    assert difference_power(1.1, SPREAD, passes) == pytest.approx(different / n, abs=0.03)
    assert equivalence_power(0.1, SPREAD, passes) == pytest.approx(equivalent / n, abs=0.03)


def test_strength_takes_the_fewest_passes_that_reach_the_power():
    got = strength(0.1, SPREAD, 4, power=0.9, alpha=0.02)
    for needed, power in (
        (got.difference_needed, lambda n: difference_power(1.1, SPREAD, n, 0.02)),
        (got.equivalence_needed, lambda n: equivalence_power(0.1, SPREAD, n, 0.02)),
    ):
        assert power(needed - 1) < 0.9 <= power(needed)
    assert got.needed == max(got.difference_needed, got.equivalence_needed)
    assert (got.difference, got.equivalence) == (
        difference_power(1.1, SPREAD, 4, 0.02),
        equivalence_power(0.1, SPREAD, 4, 0.02),
    )


def test_wild_passes_are_told_as_out_of_reach():
    assert strength(0.05, 0.5, 4).needed is None


@settings(deadline=None, max_examples=40)
@given(st.floats(1.01, 1.3), st.integers(2, 20), st.floats(0.02, 0.2))
def test_power_is_the_same_for_a_ratio_and_its_inverse_and_grows_with_passes(ratio, passes, spread):
    assert difference_power(1 / ratio, spread, passes) == pytest.approx(difference_power(ratio, spread, passes))
    assert difference_power(ratio, spread, passes + 1) >= difference_power(ratio, spread, passes) - 1e-6
    here, there = (equivalence_power(0.1, spread, passes, ratio=r) for r in (ratio, 1 / ratio))
    assert here == pytest.approx(there, abs=1e-9)
    if equivalence_power(0.1, spread, passes) > 0.05:
        assert equivalence_power(0.1, spread, passes + 1) >= equivalence_power(0.1, spread, passes)


def test_a_ratio_at_the_margin_is_held_equivalent_no_more_often_than_alpha():
    """What a test at level alpha is, by definition."""
    assert all(equivalence_power(0.1, SPREAD, n, ratio=1.1) <= 0.05 + 1e-3 for n in (2, 4, 20))


def test_coefficient_of_variation_is_that_of_scipys_log_normal():
    for cv in (0.01, 0.04, 0.5):
        spread = given_spread(cv).value
        values = stats.lognorm(spread)
        assert values.std() / values.mean() == pytest.approx(cv)
        assert coefficient_of_variation(spread) == pytest.approx(cv)


def test_pilot_spread_is_the_pooled_one_of_scipys_t_test():
    a, b = np.exp(np.random.default_rng(1).normal([[3.0], [5.0]], 0.05, (2, 4)))
    b = b[:3]
    t = stats.ttest_ind(np.log(a), np.log(b)).statistic
    pooled = (np.log(a).mean() - np.log(b).mean()) / t / np.sqrt(1 / 4 + 1 / 3)
    got = pilot_spread([a, b, [7.0]])
    assert (got.value, got.df) == (pytest.approx(pooled), 5)


def test_the_upper_limit_of_a_pilot_is_above_the_truth_four_times_in_five():
    pilots = np.exp(SPREAD * np.random.default_rng(2).standard_normal((2000, 4)))
    assert np.mean([pilot_spread([pilot]).upper > SPREAD for pilot in pilots]) == pytest.approx(0.80, abs=0.03)


def test_a_pilot_without_two_different_passes_is_refused():
    for groups in ([], [[3.0]], [[3.0], [4.0]], [[3.0, 3.0]]):
        with pytest.raises(AnalysisError, match="two different passes"):
            pilot_spread(groups)
