"""The mixed model against the analysis of variance of balanced data and the restricted likelihood written out."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

MADE = runpy.run_path(str(Path(__file__).parents[1] / "fitting_spread.py"))
drawn, fit = MADE["drawn"], MADE["fit"]


def mean_squares(logs, part, block, passes):
    """Of part × block, of the passes and of blocks, by the book, of balanced data."""
    cells = np.array([[logs[(block == b) & (part == p)] for p in (0, 1)] for b in np.unique(block)])
    means = cells.mean(axis=2)
    interaction = passes * (means[:, 1] - means[:, 0]).var(ddof=1) / 2
    return interaction, cells.var(axis=2, ddof=1).mean(), 2 * passes * means.mean(axis=1).var(ddof=1)


@pytest.mark.parametrize(("blocks", "passes", "seed"), [(4, 3, 5), (3, 2, 6), (3, 4, 7), (6, 2, 8)])
def test_balanced_fittings_give_the_estimates_of_the_analysis_of_variance(blocks, passes, seed):
    """Where all of them are positive, REML's components are those of the mean squares (Searle, Casella and McCulloch,
    Variance Components, 1992), and the part is tested against part × block with blocks − 1 degrees of freedom."""
    data = drawn(seed, blocks, passes, 0.04, block_spread=0.2)
    logs, part, block, _ = data
    interaction, error, between = mean_squares(logs, part, block, passes)
    assert error < interaction < between
    got, _ = fit(*data)
    difference = logs[part == 1].mean() - logs[part == 0].mean()
    reach = stats.t.isf(0.025, blocks - 1) * np.sqrt(2 * interaction / (blocks * passes))
    assert got.df == blocks - 1
    assert got.ratio == pytest.approx(np.exp(difference))
    assert got.interval == pytest.approx(np.exp([difference - reach, difference + reach]), rel=1e-5)
    assert got.pass_spread == pytest.approx(np.sqrt(error), rel=1e-4)
    assert got.fitting_spread == pytest.approx(np.sqrt((interaction - error) / passes), rel=1e-4)
    t = abs(difference) / np.sqrt(2 * interaction / (blocks * passes))
    assert got.p_difference == pytest.approx(2 * stats.t.sf(t, blocks - 1), rel=1e-3)


def restricted(logs, part, levels):
    """Minus twice the restricted log-likelihood (Patterson and Thompson 1971) but for a constant, as a function of the
    logarithms of the variances, the residual one last; and the estimate of the parts' difference with its error."""
    fixed = np.column_stack([np.ones(part.size), part])
    alike = [(factor[:, None] == factor).astype(float) for factor in levels]

    def solve(theta):
        variances = np.exp(theta)
        whole = variances[-1] * np.eye(part.size) + sum(v * z for v, z in zip(variances, alike, strict=False))
        inverse = np.linalg.inv(whole)
        information = fixed.T @ inverse @ fixed
        estimate = np.linalg.solve(information, fixed.T @ inverse @ logs)
        rest = logs - fixed @ estimate
        value = np.linalg.slogdet(whole)[1] + np.linalg.slogdet(information)[1] + rest @ inverse @ rest
        return value, estimate[1], np.sqrt(np.linalg.inv(information)[1, 1])

    return solve


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("seed", [2, 5, 7])
def test_unbalanced_and_shared_fittings_maximise_the_restricted_likelihood(seed, shared):
    """The likelihood written out with whole matrices, maximised by scipy; some passes of a block are left out.

    The library's error is of the whole observed information, variances and all, and so up to 2 % larger than that of
    generalised least squares with the variances taken for true.
    """
    data = [column[np.r_[0:2, 3:14, 16:24]] for column in drawn(seed, 3, 4, 0.05, shared=shared)]
    logs, part, block, fitting = data
    got, plain = fit(*data)
    solve = restricted(logs, part, (block, fitting))
    start = np.log([0.05**2, 0.05**2, 0.02**2])
    best = optimize.minimize(
        lambda theta: solve(theta)[0],
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000},
    )
    _, difference, error = solve(best.x)
    reach = stats.t.isf(0.025, 2) * error
    assert got.df == 2
    assert got.ratio == pytest.approx(np.exp(difference), rel=1e-5)
    for end, sign in zip(got.interval, (-1, 1), strict=True):
        assert 0.9999 <= sign * np.log(end / got.ratio) / reach < 1.03
    assert got.fitting_spread == pytest.approx(np.exp(best.x[1] / 2), rel=1e-3)
    assert got.ratio != pytest.approx(np.exp(plain.difference), rel=1e-6)


def test_fittings_that_differ_no_more_than_passes_leave_the_additive_model():
    """Mean square of part × block below that of the passes: the fittings' variance is zero. Over many draws without a
    spread between fittings, every such set ends there, with the few degrees of freedom of the blocks, none leaks a
    warning, and no fit is given up."""
    zero = 0
    for seed in range(60):
        data = drawn(seed, 3 + seed % 3, 2 + seed % 2, 0.0, block_spread=0.05 * (seed % 2))
        interaction, error, between = mean_squares(*data[:3], 2 + seed % 2)
        got, plain = fit(*data)
        assert got is not None
        if interaction < error and interaction < between:
            zero += 1
            few = replace(plain, df=2.0 + seed % 3)
            assert (got.fitting_spread, got.df) == (0.0, few.df)
            assert (got.ratio, got.interval) == (np.exp(plain.difference), few.interval())
    assert zero > 12


def test_one_pass_a_fitting_cannot_tell_fittings_from_passes():
    data = drawn(1, 5, 1, 0.05)
    got, plain = fit(*data)
    assert (got.df, got.interval, got.fitting_spread) == (4, plain.interval(), 0.0)


def test_shared_fittings_leak_no_warning_and_are_seldom_given_up():
    """Warnings are errors in this suite."""
    assert sum(fit(*drawn(seed, 3, 2, 0.02, shared=True))[0] is None for seed in range(50)) <= 3


def test_two_blocks_say_nothing_of_fittings():
    """One degree of freedom: t for 95 % is 12.7, and A B B A has a single fitting of one part."""
    assert fit(*drawn(1, 2, 3, 0.02, shared=True))[0] is None


@pytest.mark.parametrize("shared", [False, True])
def test_fittings_that_stray_are_told_different_by_the_additive_analysis_and_seldom_by_the_mixed(shared):
    """The short run of fitting_spread.py, at limits that its full run is far from: passes and fittings stray alike."""
    shares = MADE["rates"](40, blocks=3 if shared else 4, passes=3, fitting_spread=0.04, shared=shared)
    assert shares["additive told different"] > 0.1 > shares["mixed told different"]
