"""The contrast of two groups of passes, against scipy, statsmodels, a published worked example and exact cases."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind
from towertap.compare.stats.contrast import Student, contrast, holm, pass_contrast, weights

SIDES = [(4, 4), (2, 3), (12, 5)]
LOGS = np.log([2.1, 2.3, 2.0, 2.2, 2.6, 2.5, 2.9, 2.4])
AFTER = np.array([False] * 4 + [True] * 4)


def test_without_blocks_it_is_welchs_test():
    """Against scipy.stats.ttest_ind(equal_var=False), on unequal numbers of passes."""
    logs, after = LOGS[1:], AFTER[1:]
    library = stats.ttest_ind(logs[after], logs[~after], equal_var=False)
    student = pass_contrast(logs, after)
    assert student.p_difference() == pytest.approx(library.pvalue)
    assert student.df == pytest.approx(library.df)
    low, high = library.confidence_interval()
    assert student.interval() == pytest.approx((np.exp(low), np.exp(high)))


def test_with_blocks_it_is_least_squares_for_part_and_block():
    """Against statsmodels' OLS with block effects, unbalanced."""
    block = np.array([1, 1, 2, 2, 1, 2, 2, 2])
    model = np.column_stack([AFTER, block == 1, block == 2]).astype(float)
    library = sm.OLS(LOGS, model).fit()
    student = pass_contrast(LOGS, AFTER, block)
    assert student.difference == pytest.approx(library.params[0])
    assert student.error == pytest.approx(library.bse[0])
    assert student.df == library.df_resid
    assert student.p_difference() == pytest.approx(library.pvalues[0])


def test_the_two_one_sided_tests_are_two_one_sided_tests():
    """Against scipy.stats.ttest_ind with one-sided alternatives on shifted samples."""
    before, after = LOGS[~AFTER], LOGS[AFTER]
    margin = np.log1p(0.3)
    above = stats.ttest_ind(after - margin, before, equal_var=False, alternative="less").pvalue
    below = stats.ttest_ind(after + margin, before, equal_var=False, alternative="greater").pvalue
    assert pass_contrast(LOGS, AFTER).p_equivalence(0.3) == pytest.approx(max(above, below))


def test_many_sets_at_once_give_the_same_as_one_by_one():
    sets = np.random.default_rng(1).standard_normal((3, 8))
    for block in (None, np.array([1, 1, 2, 2, 1, 1, 2, 2])):
        together = pass_contrast(sets, AFTER, block)
        alone = [pass_contrast(values, AFTER, block) for values in sets]
        assert together.half_width() == pytest.approx([student.half_width() for student in alone])
        assert together.difference == pytest.approx([student.difference for student in alone])


def test_weights_sum_to_one_after_and_to_zero_in_a_block():
    block = np.array([1, 1, 2, 2, 1, 2, 2, 2])
    for share in (weights(AFTER), weights(AFTER, block)):
        assert share[AFTER].sum() == pytest.approx(1)
        assert share[~AFTER].sum() == pytest.approx(-1)
    assert np.bincount(block, weights(AFTER, block)) == pytest.approx([0, 0, 0])


@pytest.mark.parametrize("logs", [[0.1, 0.2, 0.3], [0.1, 0.1, 0.2, 0.2]])
def test_one_pass_per_side_or_no_spread_is_undecided(logs):
    student = pass_contrast(logs, np.arange(len(logs)) >= 2)
    assert student.verdict(0.10) == "undecided"


def test_a_statement_is_never_surer_than_the_one_it_rests_on():
    wide = Student(0.1, 0.08, 3.0)
    narrow = Student(0.1, 0.01, 30.0, at_least=wide)
    assert narrow.half_width() == wide.half_width()
    assert narrow.p_difference() == wide.p_difference()
    assert narrow.p_equivalence(0.2) == wide.p_equivalence(0.2)


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


def test_holms_adjustment_of_a_worked_example():
    """Four p-values at 0.05: 0.005 and 0.01 are rejected, then 0.03 > 0.025 stops (a textbook example, from memory)."""
    assert holm([0.01, None, 0.04, 0.03, 0.005]) == pytest.approx([0.03, None, 0.06, 0.06, 0.02])
    assert holm([None]) == [None]
    assert holm([]) == []


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_holm_is_the_closed_test_of_bonferronis(p_values):
    """Holm 1979, by closure (Marcus, Peritz and Gabriel 1976): a p is the largest of all families that contain it."""
    families = [family for size in range(1, len(p_values) + 1) for family in combinations(range(len(p_values)), size)]
    for number, adjusted in enumerate(holm(p_values)):
        of_families = [len(f) * min(p_values[i] for i in f) for f in families if number in f]
        assert adjusted == pytest.approx(min(1.0, max(of_families)), abs=1e-12)


@pytest.mark.parametrize(
    ("before", "after"),
    [([3.0], [4.0]), ([3.0], [4.0, 4.1, 4.2]), ([3.0, 3.0], [3.0, 3.0]), ([3.0, 3.0, 3.0], [4.0, 4.1, 4.3])],
)
def test_without_spread_on_both_sides_there_is_only_a_ratio(before, after):
    got = contrast(before, after, 0.1)
    assert got.ratio == pytest.approx(stats.gmean(after) / stats.gmean(before))
    assert (got.interval, got.p_difference, got.p_equivalence) == (None, None, None)


values = st.lists(st.floats(0.5, 2.0), min_size=2, max_size=7, unique=True)


@settings(deadline=None)
@given(values, values)
def test_swapping_the_sides_inverts_the_ratio_and_changes_no_p(before, after):
    forward, back = contrast(before, after, 0.1), contrast(after, before, 0.1)
    assert back.ratio == pytest.approx(1 / forward.ratio)
    assert (back.p_difference, back.p_equivalence) == pytest.approx((forward.p_difference, forward.p_equivalence))
    if forward.interval is not None:
        assert back.interval == pytest.approx((1 / forward.interval[1], 1 / forward.interval[0]))


@settings(deadline=None)
@given(values, values, st.floats(1e-6, 1e6))
def test_the_unit_of_the_values_does_not_matter(before, after, unit):
    plain, scaled = contrast(before, after, 0.1), contrast(np.multiply(before, unit), np.multiply(after, unit), 0.1)
    assert scaled.ratio == pytest.approx(plain.ratio, rel=1e-6)
    if plain.p_difference is not None and scaled.p_difference is not None:
        assert scaled.p_difference == pytest.approx(plain.p_difference, rel=1e-3, abs=1e-6)
