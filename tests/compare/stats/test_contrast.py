"""On these drives: the contrast is Welch's, or that of the randomised block model, for one set or many."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from towertap.compare.stats.contrast import Student, pass_contrast, weights

LOGS = np.log([2.1, 2.3, 2.0, 2.2, 2.6, 2.5, 2.9, 2.4])
AFTER = np.array([False] * 4 + [True] * 4)


def test_without_blocks_it_is_welchs_test():
    """Against scipy.stats.ttest_ind(equal_var=False), on unequal numbers of passes."""
    logs, after = LOGS[1:], AFTER[1:]
    library = stats.ttest_ind(logs[after], logs[~after], equal_var=False)
    contrast = pass_contrast(logs, after)
    assert contrast.p_difference() == pytest.approx(library.pvalue)
    assert contrast.df == pytest.approx(library.df)
    low, high = library.confidence_interval()
    assert contrast.interval() == pytest.approx((np.exp(low), np.exp(high)))


def test_with_blocks_it_is_least_squares_for_part_and_block():
    """Against statsmodels' OLS with block effects, unbalanced."""
    block = np.array([1, 1, 2, 2, 1, 2, 2, 2])
    model = np.column_stack([AFTER, block == 1, block == 2]).astype(float)
    library = sm.OLS(LOGS, model).fit()
    contrast = pass_contrast(LOGS, AFTER, block)
    assert contrast.difference == pytest.approx(library.params[0])
    assert contrast.error == pytest.approx(library.bse[0])
    assert contrast.df == library.df_resid
    assert contrast.p_difference() == pytest.approx(library.pvalues[0])


def test_the_two_one_sided_tests_are_two_one_sided_tests():
    """Against scipy.stats.ttest_ind with one-sided alternatives on shifted samples."""
    before, after = LOGS[~AFTER], LOGS[AFTER]
    margin = np.log1p(0.3)
    above = stats.ttest_ind(after - margin, before, equal_var=False, alternative="less").pvalue
    below = stats.ttest_ind(after + margin, before, equal_var=False, alternative="greater").pvalue
    assert pass_contrast(LOGS, AFTER).p_equivalence(0.3) == pytest.approx(max(above, below))


def test_many_sets_at_once_are_the_sets_one_by_one():
    sets = np.random.default_rng(1).standard_normal((3, 8))
    for block in (None, np.array([1, 1, 2, 2, 1, 1, 2, 2])):
        together = pass_contrast(sets, AFTER, block)
        alone = [pass_contrast(values, AFTER, block) for values in sets]
        assert together.half_width() == pytest.approx([contrast.half_width() for contrast in alone])
        assert together.difference == pytest.approx([contrast.difference for contrast in alone])


def test_weights_sum_to_one_after_and_to_nothing_in_a_block():
    block = np.array([1, 1, 2, 2, 1, 2, 2, 2])
    for share in (weights(AFTER), weights(AFTER, block)):
        assert share[AFTER].sum() == pytest.approx(1)
        assert share[~AFTER].sum() == pytest.approx(-1)
    assert np.bincount(block, weights(AFTER, block)) == pytest.approx([0, 0, 0])


@pytest.mark.parametrize("logs", [[0.1, 0.2, 0.3], [0.1, 0.1, 0.2, 0.2]])
def test_one_pass_a_side_or_no_spread_leaves_it_undecided(logs):
    contrast = pass_contrast(logs, np.arange(len(logs)) >= 2)
    assert contrast.verdict(0.10) == "undecided"


def test_a_statement_is_never_surer_than_the_one_it_stands_on():
    wide = Student(0.1, 0.08, 3.0)
    narrow = Student(0.1, 0.01, 30.0, at_least=wide)
    assert narrow.half_width() == wide.half_width()
    assert narrow.p_difference() == wide.p_difference()
    assert narrow.p_equivalence(0.2) == wide.p_equivalence(0.2)
