"""The pass statistics against scipy, statsmodels, a published worked example and exact cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib import cbook
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import ttost_ind
from towertap.compare.stats.ratio import (
    box,
    contrast,
    energy_mean,
    holm,
    lag_1,
    smallest_difference,
    window_t_test,
)

SIDES = [(4, 4), (2, 3), (12, 5)]


def two_sides(n, seed=7, ratio=1.1):
    rng = np.random.default_rng(seed)
    return 30 * rng.lognormal(0, 0.05, n[0]), 30 * ratio * rng.lognormal(0, 0.15, n[1])


@pytest.mark.parametrize("n", SIDES)
def test_difference_and_interval_are_scipys_welch_on_logarithms(n):
    before, after = two_sides(n)
    got = contrast(before, after, 0.1)
    welch = stats.ttest_ind(np.log(after), np.log(before), equal_var=False)
    assert got.p_difference == pytest.approx(welch.pvalue, rel=1e-10)
    assert got.interval == pytest.approx(np.exp(welch.confidence_interval(0.95)), rel=1e-10)
    assert got.ratio == pytest.approx(stats.gmean(after) / stats.gmean(before), rel=1e-12)
    assert (got.before, got.after) == pytest.approx((stats.gmean(before), stats.gmean(after)), rel=1e-12)


@pytest.mark.parametrize("n", SIDES)
@pytest.mark.parametrize("ratio", [0.8, 0.97, 1.0, 1.2])
def test_equivalence_is_statsmodels_two_one_sided_tests_on_logarithms(n, ratio):
    before, after = two_sides(n, ratio=ratio)
    p, _, _ = ttost_ind(after, before, 1 / 1.1, 1.1, usevar="unequal", transform=np.log)
    assert contrast(before, after, 0.1).p_equivalence == pytest.approx(p, rel=1e-9)


def test_equivalence_of_a_published_worked_example():
    """Lakens 2017, doi:10.1177/1948550617697177: n 95 and 89, means 5.25 and 5.22, s.d. 0.95 and 0.83, bounds
    d = ±0.43 of the root mean variance, by Welch: t(182) = −2.69, p = 0.004 (as quoted in the documentation of the
    R package TOSTER). Its scale is ours after the logarithm."""

    def sample(mean, sd, n):
        shape = np.random.default_rng(n).standard_normal(n)
        return np.exp(mean + sd * (shape - shape.mean()) / shape.std(ddof=1))

    bound = 0.43 * np.sqrt((0.95**2 + 0.83**2) / 2)
    got = contrast(sample(5.25, 0.95, 95), sample(5.22, 0.83, 89), np.expm1(bound))
    assert round(got.p_equivalence, 3) == 0.004
    assert stats.t.ppf(got.p_equivalence, 182) == pytest.approx(-2.69, abs=0.01)


def test_equivalence_is_the_90_percent_interval_inside_the_margin():
    """Schuirmann 1987: the two are one decision."""
    decisions = set()
    for seed in range(60):
        before, after = two_sides((5, 5), seed, ratio=1.0)
        welch = stats.ttest_ind(np.log(after), np.log(before), equal_var=False)
        low, high = np.exp(welch.confidence_interval(0.90))
        decision = contrast(before, after, 0.15).p_equivalence < 0.05
        assert decision == (low > 1 / 1.15 and high < 1.15)
        decisions.add(bool(decision))
    assert decisions == {True, False}


@settings(deadline=None, max_examples=40)
@given(st.lists(st.one_of(st.none(), st.floats(0, 1)), max_size=12))
def test_holm_is_that_of_statsmodels(p_values):
    tested = [p for p in p_values if p is not None]
    expected = iter(multipletests(tested, method="holm")[1] if tested else [])
    for p, adjusted in zip(p_values, holm(p_values), strict=True):
        assert adjusted is None if p is None else adjusted == pytest.approx(next(expected), abs=1e-12)


@pytest.mark.parametrize(("n", "alpha"), [(3, 0.05), (4, 0.05), (8, 0.05), (30, 0.01)])
def test_smallest_difference_has_the_power_that_statsmodels_gives_it(n, alpha):
    """With equal spread on both sides Welch's degrees of freedom are Student's."""
    logs = 0.05 * np.linspace(-1, 1, n)
    ratio = smallest_difference(np.exp(logs), np.exp(logs + 3), alpha)
    effect = np.log(ratio) / logs.std(ddof=1)
    assert TTestIndPower().power(effect, nobs1=n, alpha=alpha) == pytest.approx(0.80, abs=0.002)


def test_smallest_difference_agrees_with_simulation_for_unequal_spread():
    rng = np.random.default_rng(3)
    shape = np.linspace(-1, 1, 6)
    before, after = 0.02 * shape / shape.std(ddof=1), 0.06 * shape / shape.std(ddof=1)
    ratio = smallest_difference(np.exp(before), np.exp(after), 0.05)
    a, b = 0.02 * rng.standard_normal((4000, 6)), np.log(ratio) + 0.06 * rng.standard_normal((4000, 6))
    shown = stats.ttest_ind(b, a, axis=1, equal_var=False).pvalue < 0.05
    assert shown.mean() == pytest.approx(0.80, abs=0.025)


def test_smallest_difference_of_wild_passes_is_out_of_reach_and_not_an_error():
    assert smallest_difference([1, 1e9], [1e-9, 1e3], 1e-4) == float("inf")


@pytest.mark.parametrize(
    ("before", "after"),
    [([3.0], [4.0]), ([3.0], [4.0, 4.1, 4.2]), ([3.0, 3.0], [3.0, 3.0]), ([3.0, 3.0, 3.0], [4.0, 4.1, 4.3])],
)
def test_without_spread_on_both_sides_there_is_a_ratio_and_nothing_else(before, after):
    got = contrast(before, after, 0.1)
    assert got.ratio == pytest.approx(stats.gmean(after) / stats.gmean(before))
    assert (got.interval, got.p_difference, got.p_equivalence) == (None, None, None)
    assert smallest_difference(before, after, 0.05) is None


figures = st.lists(st.floats(0.5, 2.0), min_size=2, max_size=7, unique=True)


@settings(deadline=None)
@given(figures, figures)
def test_swapping_the_sides_inverts_the_ratio_and_changes_no_p(before, after):
    there, back = contrast(before, after, 0.1), contrast(after, before, 0.1)
    assert back.ratio == pytest.approx(1 / there.ratio)
    assert (back.p_difference, back.p_equivalence) == pytest.approx((there.p_difference, there.p_equivalence))
    if there.interval is not None:
        assert back.interval == pytest.approx((1 / there.interval[1], 1 / there.interval[0]))


@settings(deadline=None)
@given(figures, figures, st.floats(1e-6, 1e6))
def test_the_unit_of_the_figures_does_not_matter(before, after, unit):
    one, other = contrast(before, after, 0.1), contrast(np.multiply(before, unit), np.multiply(after, unit), 0.1)
    assert other.ratio == pytest.approx(one.ratio, rel=1e-6)
    if one.p_difference is not None and other.p_difference is not None:
        assert other.p_difference == pytest.approx(one.p_difference, rel=1e-3, abs=1e-6)


def test_energy_mean_of_windows_is_the_rms_of_their_samples():
    samples = np.random.default_rng(0).standard_normal((10, 100))
    assert energy_mean(np.sqrt((samples**2).mean(axis=1))) == pytest.approx(np.sqrt((samples**2).mean()))
    assert np.isnan(energy_mean([]))


@settings(deadline=None)
@given(st.lists(st.floats(0, 1e3), min_size=1, max_size=40))
def test_box_is_that_of_matplotlib(values):
    got, (expected,) = box(values), cbook.boxplot_stats(values)
    assert (got.median, got.q1, got.q3) == pytest.approx((expected["med"], expected["q1"], expected["q3"]))
    assert (got.whisker_low, got.whisker_high) == pytest.approx((expected["whislo"], expected["whishi"]))
    assert sorted(got.outliers) == pytest.approx(sorted(expected["fliers"]))


def test_window_t_test_is_scipys_student_test_and_says_what_is_wrong():
    a, b = np.random.default_rng(1).gamma(3, size=(2, 50))
    got = window_t_test(a, b, 0.6)
    assert got.p == pytest.approx(stats.ttest_ind(a, b, equal_var=True).pvalue)
    assert "not used" in got.note
    assert "0.60" in got.note
    assert window_t_test([], b, 0.6).p is None
    assert window_t_test([1, 1], [1, 1, 1], float("nan")).p is None


def test_lag_1_of_an_autoregressive_sequence_is_its_coefficient():
    """Exact in the limit: the lag-1 correlation of x(i) = 0.6 x(i−1) + e(i) is 0.6."""
    rng = np.random.default_rng(2)
    x = np.zeros(20000)
    for i in range(1, x.size):
        x[i] = 0.6 * x[i - 1] + rng.standard_normal()
    assert lag_1([x[:10000], x[10000:] + 50]) == pytest.approx(0.6, abs=0.02)
    assert np.isnan(lag_1([[1.0, 1.0]]))
