"""How far two groups of figures lie apart, with the error of that: Welch's way, or by block where drives are paired.

Everything is on logarithms. The room's other statistics stand on these two estimates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

NO_SPREAD = 1e-12
"""Logarithms of one side's passes that differ by less than this are copies, not passes."""

Blocks = tuple[Sequence[int], Sequence[int]]
"""The block of each figure before and of each after."""


@dataclass(frozen=True)
class Effect:
    """Means of the logarithms of two groups, and the standard error and degrees of freedom of their difference.

    `spread` is the standard deviation of a single figure's logarithm, pooled. Without spread `error` is 0.
    """

    before: float
    after: float
    error: float
    df: float
    spread: float

    @property
    def difference(self) -> float:
        """After less before."""
        return self.after - self.before

    @property
    def ratio(self) -> float:
        """After / before; infinite where no float holds it."""
        with np.errstate(over="ignore"):
            return float(np.exp(self.difference))

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """The interval of the ratio after / before; an end that no float holds is infinite."""
        reach = stats.t.isf((1 - level) / 2, self.df) * self.error
        with np.errstate(over="ignore"):
            return float(np.exp(self.difference - reach)), float(np.exp(self.difference + reach))

    def p_difference(self) -> float:
        """Two-sided p of no difference."""
        return float(2 * stats.t.sf(abs(self.difference) / self.error, self.df))

    def p_equivalence(self, margin: float) -> float:
        """The p of the two one-sided tests (Schuirmann 1987) against the ratios 1 / (1 + margin) and 1 + margin."""
        return float(stats.t.sf((np.log1p(margin) - abs(self.difference)) / self.error, self.df))


def effect(before: ArrayLike, after: ArrayLike, blocks: Blocks | None = None) -> Effect:
    """Estimate the effect from positive figures (n,) a side: Welch's way, or `additive` where `blocks` are given."""
    logs = np.log(np.asarray(before, float)), np.log(np.asarray(after, float))
    return welch(*logs) if blocks is None else additive(*logs, blocks)


def welch(before: NDArray[np.float64], after: NDArray[np.float64]) -> Effect:
    """Welch's estimate (1947) from logarithms (n,) a side; error and spread are not numbers with fewer than two."""
    means = float(before.mean()), float(after.mean())
    if min(before.size, after.size) < 2:
        return Effect(*means, float("nan"), float("nan"), float("nan"))
    squares = sum(side.var(ddof=1) * (side.size - 1) for side in (before, after))
    return Effect(
        *means, *standard_error(before, after), spread=float(np.sqrt(squares / (before.size + after.size - 2)))
    )


def additive(before: NDArray[np.float64], after: NDArray[np.float64], blocks: Blocks) -> Effect:
    """The randomised complete block estimate from logarithms (n,) a side: part + block + error.

    Whatever is the same for both parts of a block, such as a drift from block to block, cancels. N passes in b blocks
    leave N − b − 1 degrees of freedom for the pooled error (Montgomery, Design and Analysis of Experiments, chapter on
    blocking). The means are adjusted to the blocks of all passes together; with blocks alike they are plain ones.
    """
    logs, block = np.concatenate([before, after]), np.concatenate([np.asarray(side) for side in blocks])
    part = np.repeat([0.0, 1.0], [before.size, after.size])
    model = np.column_stack([part, block[:, None] == np.unique(block)])
    solution = np.linalg.lstsq(model, logs)[0]
    residual = logs - model @ solution
    df = model.shape[0] - model.shape[1]
    spread = float(np.sqrt(residual @ residual / df)) if df > 0 else float("nan")
    centre = float((model[:, 1:] @ solution[1:]).mean())
    error = spread * float(np.sqrt(np.linalg.inv(model.T @ model)[0, 0]))
    return Effect(centre, centre + float(solution[0]), error, float(df), spread)


def tells_spread(*sides: NDArray[np.float64]) -> bool:
    """Whether every side (n,) has two values that differ, and so tells how far means stray by chance."""
    return all(np.ptp(side) > NO_SPREAD for side in sides)


def standard_error(before: NDArray[np.float64], after: NDArray[np.float64]) -> tuple[float, float]:
    """Standard error of the difference of two means, (n,) with n > 1 each, and Welch–Satterthwaite degrees of freedom.

    Without any spread the error is 0 and the degrees of freedom infinite.
    """
    parts = np.array([side.var(ddof=1) / side.size for side in (before, after)])
    weights = (parts**2 / (np.array([before.size, after.size]) - 1)).sum()
    return float(np.sqrt(parts.sum())), float(parts.sum() ** 2 / weights) if weights > 0 else float("inf")
