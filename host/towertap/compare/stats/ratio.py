"""Two groups of passes against each other: values in, ratio, interval and p-values out; pure functions on arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towertap.compare.stats.contrast import ALPHA, Student, pass_contrast

NO_SPREAD = 1e-12
"""Logarithms of one side's passes that differ by less than this are copies, not passes."""


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """Two groups of passes against each other, on logarithms.

    `before` and `after` are geometric means over passes in the metric's unit (by block: adjusted to the blocks of all
    passes), `ratio` = after / before, `interval` its 95 % interval (Welch's, or by block; None where a side has one
    pass or the passes cannot tell) and `interval_90` the one that equivalence is read from, `passes` the numbers of
    passes, `p_difference` the two-sided p, `p_equivalence`
    that of the two one-sided tests against the margin, none smaller than LEAST_P; `standard_error` of the ratio's
    logarithm with `df` degrees of freedom, by which all of these can be computed again (Student's t).
    """

    before: float
    after: float
    ratio: float
    interval: tuple[float, float] | None
    interval_90: tuple[float, float] | None = None
    passes: tuple[int, int]
    p_difference: float | None
    p_equivalence: float | None
    standard_error: float | None
    df: float | None


def contrast(before: ArrayLike, after: ArrayLike, margin: float, block: ArrayLike | None = None) -> Contrast:
    """Hold two groups of passes against each other on logarithms.

    `before` and `after` are values of passes, (n,) and (m,), positive, in one unit; `block` (n + m,), those before
    first, pairs them. The margin is symmetric in the logarithm, ratios from 1 / (1 + margin) to 1 + margin, so that
    swapping the sides swaps nothing else; it is narrower below 1 than 1 − margin, so never the more lenient choice.
    """
    sides = np.log(np.asarray(before, float)), np.log(np.asarray(after, float))
    logs, is_after = np.concatenate(sides), np.repeat([False, True], [side.size for side in sides])
    return described(pass_contrast(logs, is_after, block), logs, is_after, margin)


def described(student: Student, logs: ArrayLike, is_after: ArrayLike, margin: float) -> Contrast:
    """A contrast in plain numbers; `logs` (n,) are the passes behind it, `is_after` (n,) says which side each is of."""
    values, after = np.asarray(logs, float), np.asarray(is_after, bool)
    difference = float(student.difference)
    before = float(np.exp(values.mean() - difference * after.mean()))
    tells = all(np.ptp(values[side]) > NO_SPREAD for side in (~after, after)) and student.error > NO_SPREAD
    return Contrast(
        before=before,
        after=before * float(np.exp(difference)),
        ratio=float(np.exp(difference)),
        interval=ends(student) if tells else None,
        interval_90=ends(student, 2 * ALPHA) if tells else None,
        passes=(int((~after).sum()), int(after.sum())),
        p_difference=student.told(student.p_difference()) if tells else None,
        p_equivalence=student.told(student.p_equivalence(margin)) if tells else None,
        standard_error=float(student.error) if tells else None,
        df=float(student.df) if tells else None,
    )


def ends(student: Student, alpha: float = ALPHA) -> tuple[float, float]:
    """The 1 − `alpha` interval of the ratio of a single set, in plain numbers."""
    low, high = student.interval(alpha)
    return float(low), float(high)


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Adjust p-values for their number by Holm's step-down method (1979); None stays None and does not count."""
    tested = np.array([np.nan if p is None else p for p in p_values], float)
    order = np.argsort(tested)[: int(np.isfinite(tested).sum())]
    steps = np.arange(order.size, 0, -1) * tested[order]
    tested[order] = np.fmin(np.maximum.accumulate(steps), 1.0)
    return [None if np.isnan(p) else float(p) for p in tested]
