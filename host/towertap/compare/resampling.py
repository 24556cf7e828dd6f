"""Other means to the same end: a permutation test and a bootstrap over whole passes, which suppose no distribution.

By block, passes change sides only within their block, and are drawn only from their own part of it.
"""

from __future__ import annotations

import math
from collections import Counter
from functools import reduce
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from towertap.compare.stats.effect import NO_SPREAD, Blocks, additive, standard_error, tells_spread

FEWEST_PASSES = 4
"""Passes on each side, or in each block's part of it for the bootstrap, from which these say something."""
LARGEST_LEAST_P = 0.05
"""A permutation whose smallest p is above this says nothing, as with three passes a side, or four in A B B A."""
ARRANGEMENTS = 9999
"""Every arrangement is tried when there are no more than these, else so many are drawn."""
RESAMPLES = 4999


def permutation_p(before: ArrayLike, after: ArrayLike, blocks: Blocks | None = None) -> float | None:
    """Two-sided p of the difference between two groups of figures of passes, (n,), positive, by permuting the passes.

    The statistic is Welch's on logarithms, so that it holds for sides of unequal spread too (Janssen 1997); by block it
    is the additive model's. None where a side has fewer than FEWEST_PASSES or no spread, or blocks leave too few
    arrangements.
    """
    logs = np.log(np.asarray(before, float)), np.log(np.asarray(after, float))
    least = least_p(len(logs[0]), len(logs[1]), blocks)
    if not tells_spread(*logs) or min(side.size for side in logs) < FEWEST_PASSES or (least or 0) > LARGEST_LEAST_P:
        return None
    if blocks is not None:
        return _permuted_within(logs, blocks)
    test = stats.permutation_test(
        logs, _welch, vectorized=True, n_resamples=ARRANGEMENTS, alternative="greater", rng=np.random.default_rng(1)
    )
    return float(test.pvalue)


def _permuted_within(logs: tuple[NDArray[np.float64], NDArray[np.float64]], blocks: Blocks) -> float:
    """As `permutation_p`, by block: for the additive model t grows with |Σ (after − its block's mean)|.

    The total spread within blocks is the same in every arrangement, and so is how the effect is weighed.
    """
    every, block = np.concatenate(logs), np.concatenate([np.asarray(side) for side in blocks])
    after = np.repeat([False, True], [side.size for side in logs])
    held = []
    for one in np.unique(block):
        inside = block == one
        held.append((every[inside] - every[inside].mean(), int(after[inside].sum())))
    seen = abs(sum(float(values[-count:].sum()) for values, count in held)) * (1 - 1e-9)
    if _arrangements(blocks) <= ARRANGEMENTS:
        sums = [np.array([sum(chosen) for chosen in combinations(values, count)]) for values, count in held]
        return float((np.abs(reduce(np.add.outer, sums)) >= seen).mean())
    draw = np.random.default_rng(1)
    drawn = np.zeros(ARRANGEMENTS)
    for values, count in held:
        drawn += draw.permuted(np.tile(values, (ARRANGEMENTS, 1)), axis=1)[:, :count].sum(axis=1)
    return float(((np.abs(drawn) >= seen).sum() + 1) / (ARRANGEMENTS + 1))


def _arrangements(blocks: Blocks) -> int:
    """In how many ways the parts can be dealt to the passes within their blocks."""
    before, after = (Counter(side) for side in blocks)
    return math.prod(math.comb(before[one] + after[one], before[one]) for one in before | after)


def least_p(before: int, after: int, blocks: Blocks | None = None) -> float | None:
    """The smallest p that `permutation_p` can give with so many passes a side; None where it draws arrangements.

    With sides of one size, or blocks whose sides are, every arrangement has a mirror image of the same statistic, and
    so comes twice.
    """
    if blocks is None:
        arrangements, mirrored = math.comb(before + after, before), before == after
    else:
        arrangements, mirrored = _arrangements(blocks), Counter(blocks[0]) == Counter(blocks[1])
    return (2 if mirrored else 1) / arrangements if arrangements <= ARRANGEMENTS else None


def bootstrap_interval(before: ArrayLike, after: ArrayLike, blocks: Blocks | None = None) -> tuple[float, float] | None:
    """The 95 % interval of the ratio of geometric means by drawing passes, whole, with replacement.

    Percentiles, spread out for few passes as Hesterberg does (2015, doi:10.1080/00031305.2015.1089789). By block each
    part of each block is drawn for itself and weighed as the additive model does. None where a side, or its share of a
    block, has fewer than FEWEST_PASSES, or no spread.
    """
    sides = [np.log(np.asarray(side, float)) for side in (before, after)]
    block = blocks or ([1] * len(sides[0]), [1] * len(sides[1]))
    cells = [
        [side[np.asarray(where) == one] for side, where in zip(sides, block, strict=True)]
        for one in sorted({*block[0], *block[1]})
    ]
    fewest = min(cell.size for pair in cells for cell in pair)
    if fewest < FEWEST_PASSES or not tells_spread(*sides):
        return None
    df = standard_error(*sides)[1] if blocks is None else additive(sides[0], sides[1], blocks).df
    reach = stats.t.isf(0.025, df) * np.sqrt(fewest / (fewest - 1))
    weights = np.array([a.size * b.size / (a.size + b.size) for a, b in cells])

    def difference(*drawn: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
        pairs = zip(drawn[::2], drawn[1::2], weights / weights.sum(), strict=True)
        found: NDArray[np.float64] = sum(weight * (b.mean(axis) - a.mean(axis)) for a, b, weight in pairs)
        return found

    found = stats.bootstrap(
        [cell for pair in cells for cell in pair],
        difference,
        n_resamples=RESAMPLES,
        confidence_level=1 - 2 * float(special.ndtr(-reach)),
        method="percentile",
        rng=np.random.default_rng(1),
    )
    low, high = np.exp(found.confidence_interval)
    return float(low), float(high)


def _welch(a: NDArray[np.float64], b: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Welch's statistic without its sign."""
    error = np.sqrt(a.var(axis, ddof=1) / a.shape[axis] + b.var(axis, ddof=1) / b.shape[axis])
    statistic: NDArray[np.float64] = np.abs(b.mean(axis) - a.mean(axis)) / np.maximum(error, NO_SPREAD)
    return statistic
