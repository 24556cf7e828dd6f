"""Other means to the same end: a permutation test and a bootstrap over whole passes, which suppose no distribution."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from towertap.compare.statistics import NO_SPREAD, standard_error, tells_spread

FEWEST_PASSES = 4
"""Passes on each side from which these say something: with fewer, the least p of a permutation is above 0.05."""
ARRANGEMENTS = 9999
"""Every arrangement is tried when there are no more than these, else so many are drawn."""
RESAMPLES = 4999


def permutation_p(before: ArrayLike, after: ArrayLike) -> float | None:
    """Two-sided p of the difference between two groups of figures of passes, (n,), positive, by permuting the passes.

    The statistic is Welch's on logarithms, so that it holds for sides of unequal spread too (Janssen 1997). None where
    a side has fewer than FEWEST_PASSES or no spread.
    """
    logs = _logs(before, after)
    if logs is None:
        return None
    test = stats.permutation_test(
        logs, _welch, vectorized=True, n_resamples=ARRANGEMENTS, alternative="greater", rng=np.random.default_rng(1)
    )
    return float(test.pvalue)


def least_p(before: int, after: int) -> float | None:
    """The smallest p that `permutation_p` can give with so many passes a side; None where it draws arrangements.

    With sides of one size every arrangement has a mirror image of the same statistic, and so comes twice.
    """
    arrangements = math.comb(before + after, before)
    return (2 if before == after else 1) / arrangements if arrangements <= ARRANGEMENTS else None


def bootstrap_interval(before: ArrayLike, after: ArrayLike) -> tuple[float, float] | None:
    """The 95 % interval of the ratio of geometric means by drawing passes, whole, with replacement.

    Percentiles, spread out for few passes as Hesterberg does (2015, doi:10.1080/00031305.2015.1089789). None as in
    `permutation_p`.
    """
    logs = _logs(before, after)
    if logs is None:
        return None
    fewest = min(side.size for side in logs)
    reach = stats.t.isf(0.025, standard_error(*logs)[1]) * np.sqrt(fewest / (fewest - 1))
    found = stats.bootstrap(
        logs,
        lambda a, b, axis: b.mean(axis) - a.mean(axis),
        n_resamples=RESAMPLES,
        confidence_level=1 - 2 * float(special.ndtr(-reach)),
        method="percentile",
        rng=np.random.default_rng(1),
    )
    low, high = np.exp(found.confidence_interval)
    return float(low), float(high)


def _logs(*sides: ArrayLike) -> tuple[NDArray[np.float64], ...] | None:
    logs = tuple(np.log(np.asarray(side, float)) for side in sides)
    return logs if min(side.size for side in logs) >= FEWEST_PASSES and tells_spread(*logs) else None


def _welch(a: NDArray[np.float64], b: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Welch's statistic without its sign."""
    error = np.sqrt(a.var(axis, ddof=1) / a.shape[axis] + b.var(axis, ddof=1) / b.shape[axis])
    statistic: NDArray[np.float64] = np.abs(b.mean(axis) - a.mean(axis)) / np.maximum(error, NO_SPREAD)
    return statistic
