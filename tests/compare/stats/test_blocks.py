"""The comparison by block against a published paired test and statsmodels' regression."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats
from towertap.compare.stats.contrast import LEAST_P, block_ratios, contrast, p_interaction, pass_contrast

SLEEP = ((0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0), (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4))
"""Hours of sleep gained with two drugs by ten patients (Student 1908, after Cushny and Peebles), from memory."""

BLOCKS = ([1, 1, 2, 2, 3], [1, 2, 2, 3, 3, 3])
"""Blocks of unequal size, before and after."""
BLOCK = np.concatenate(BLOCKS)


def levels(seed, blocks=BLOCKS, drift=0.1, ratio=1.0, spread=0.03):
    """Levels of passes in blocks that drift apart."""
    rng = np.random.default_rng(seed)
    of_block = drift * rng.standard_normal(max(map(max, blocks)) + 1)
    before, after = (np.exp(of_block[np.array(side)] + spread * rng.standard_normal(len(side))) for side in blocks)
    return before, ratio * after


def table(before, after, blocks=BLOCKS):
    """The same, as columns for statsmodels."""
    return pd.DataFrame(
        {
            "y": np.log([*before, *after]),
            "part": [0] * len(before) + [1] * len(after),
            "block": [*blocks[0], *blocks[1]],
        }
    )


def test_blocks_of_two_are_a_published_paired_test():
    """Student's sleep data: t = -4.0621 with 9 degrees of freedom, p = 0.002833, interval of the mean difference 0.70
    to 2.46 (documentation of R's t.test, from memory)."""
    got = pass_contrast(np.concatenate(SLEEP), np.repeat([False, True], 10), np.tile(np.arange(10), 2))
    assert (got.difference / got.error, got.df) == (pytest.approx(4.0621, abs=5e-5), 9)
    assert got.p_difference() == pytest.approx(0.002833, abs=5e-7)
    assert np.log(got.interval()) == pytest.approx([0.7001142, 2.4598858], abs=5e-7)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_deciding_contrast_is_the_regression_of_statsmodels(seed):
    """Ordinary least squares of part + block, blocks of unequal size."""
    before, after = levels(seed, ratio=1.05)
    fit = smf.ols("y ~ part + C(block)", table(before, after)).fit()
    got = contrast(before, after, 0.1, BLOCK)
    assert got.ratio == pytest.approx(np.exp(fit.params["part"]))
    assert got.after / got.before == pytest.approx(got.ratio)
    assert got.interval == pytest.approx(np.exp(fit.conf_int().loc["part"]))
    assert got.p_difference == pytest.approx(max(fit.pvalues["part"], LEAST_P))
    below, above = (fit.t_test(f"part = {bound}") for bound in (-np.log(1.1), np.log(1.1)))
    one_sided = [stats.t.sf(below.tvalue.item(), fit.df_resid), stats.t.cdf(above.tvalue.item(), fit.df_resid)]
    assert got.p_equivalence == pytest.approx(max(*one_sided, LEAST_P))


def test_part_by_block_is_the_analysis_of_variance_of_statsmodels():
    before, after = levels(3)
    fits = [smf.ols(model, table(before, after)).fit() for model in ("y ~ part + C(block)", "y ~ part * C(block)")]
    logs, is_after = np.log([*before, *after]), np.repeat([False, True], [before.size, after.size])
    assert p_interaction(logs, is_after, BLOCK) == pytest.approx(sm.stats.anova_lm(*fits)["Pr(>F)"].iloc[1])
    in_second = np.log(after[1:3]).mean() - np.log(before[2:4]).mean()
    assert block_ratios(logs, is_after, BLOCK)[1] == pytest.approx(np.exp(in_second))


def test_equal_blocks_keep_the_plain_geometric_means():
    blocks = ([1, 1, 2, 2], [1, 1, 2, 2])
    before, after = levels(4, blocks)
    got, plain = contrast(before, after, 0.1, np.concatenate(blocks)), contrast(before, after, 0.1)
    assert (got.before, got.after, got.ratio) == pytest.approx((plain.before, plain.after, plain.ratio))


def test_a_shift_of_a_whole_block_changes_only_the_means():
    before, after = levels(5)
    shift = np.array([0, 1.0, 3.0, 0.2])
    moved = [side * shift[np.array(where)] for side, where in zip((before, after), BLOCKS, strict=True)]
    before_shift, after_shift = contrast(before, after, 0.1, BLOCK), contrast(*moved, 0.1, BLOCK)
    for name in ("ratio", "interval", "p_difference", "p_equivalence"):
        assert getattr(after_shift, name) == pytest.approx(getattr(before_shift, name))


def test_blocks_that_agree_to_the_last_digit_show_nothing():
    got = contrast([1.0, 2.0], [1.1, 2.2], 0.1, [1, 2, 1, 2])
    assert (got.interval, got.p_difference) == (None, None)
