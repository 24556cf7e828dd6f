"""On these drives: after less before, with the error that passes alone give it; for one set of passes or many at once.

Everything is on natural logarithms. The last axis of `logs` holds the passes; the axes before it, if any, hold sets of
passes of the same design, so that a simulation of thousands of sets runs the code that decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

Floats = Any
"""A float of a single set of passes, or an array of many sets' shape."""
Verdict = Literal["harsher", "gentler", "equivalent", "undecided"]
Levels = tuple[float, float]
"""What the p of the difference, and that of equivalence, are held against."""

ALPHA = 0.05
LEAST_P = 0.001
"""No smaller p is told: that far out the logarithms of a dozen passes cannot be shown to follow Student's law."""
NO_SPREAD = 1e-12
"""Logarithms of one side's passes that differ by less than this are copies, not passes."""


@dataclass(frozen=True, eq=False)
class Student:
    """An estimate whose error follows Student's t: the difference of logarithms, its standard error, and their df.

    Half-width, interval and p-values are those of t with `df` degrees of freedom, and no narrower (no smaller) than
    those of `at_least`, where there is one.
    """

    difference: Floats
    error: Floats
    df: Floats
    at_least: Student | None = None
    least_p: float = LEAST_P

    @property
    def ratio(self) -> Floats:
        return np.exp(self.difference)

    def half_width(self, alpha: float = ALPHA) -> Floats:
        """Half the two-sided 1 − `alpha` interval of the difference."""
        own = scipy.special.stdtrit(self.df, 1 - alpha / 2) * self.error
        return own if self.at_least is None else np.maximum(own, self.at_least.half_width(alpha))

    def interval(self, alpha: float = ALPHA) -> tuple[Floats, Floats]:
        """The 1 − `alpha` interval of the ratio; with twice ALPHA the one that equivalence is read from."""
        reach = self.half_width(alpha)
        return np.exp(self.difference - reach), np.exp(self.difference + reach)

    def p_difference(self) -> Floats:
        """Two-sided p of no difference, to decide by; `told` is what may be told of it."""
        own = 2 * self._tail(-np.abs(self.difference))
        return own if self.at_least is None else np.maximum(own, self.at_least.p_difference())

    def p_equivalence(self, margin: float) -> Floats:
        """The p of the two one-sided tests (Schuirmann 1987) against the ratios 1 / (1 + margin) and 1 + margin."""
        own = self._tail(np.abs(self.difference) - np.log1p(margin))
        return own if self.at_least is None else np.maximum(own, self.at_least.p_equivalence(margin))

    def told(self, p: float) -> float:
        """A p of a single set, adjusted or not, as it may be told: no smaller than the model bears."""
        return max(float(p), self.least_p)

    def _tail(self, distance: Floats) -> Floats:
        """Student's probability below a distance; not a number where passes without spread leave no error."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return scipy.special.stdtr(self.df, np.true_divide(distance, self.error))

    def verdict(self, margin: float, levels: Levels = (ALPHA, ALPHA)) -> Verdict:
        """Of a single set, as `verdict` has it; undecided without an error."""
        return verdict(self.ratio, self.p_difference(), self.p_equivalence(margin), *levels)


def verdict(
    ratio: float,
    p_difference: float | None,
    p_equivalence: float | None,
    alpha: float = ALPHA,
    alpha_equivalence: float = ALPHA,
) -> Verdict:
    """The verdict from the ratio and the p-values of the difference and of the two one-sided tests; None: no test.

    `equivalent` goes before `harsher` and `gentler`: a difference inside the margin does not count, though it is there.
    A large p is never taken for "the same".
    """
    if p_difference is None or p_equivalence is None:
        return "undecided"
    if p_equivalence < alpha_equivalence:
        return "equivalent"
    if p_difference < alpha:
        return "harsher" if ratio > 1 else "gentler"
    return "undecided"


def weights(after: ArrayLike, block: ArrayLike | None = None) -> NDArray[np.float64]:
    """The weights w (n,) with which the difference is w · logs: they sum to 1 after and to −1 before.

    `after` (n,) is True for a pass after the change. Without blocks each side's passes weigh alike; with them (n,) the
    weights are those of least squares for part + block (the randomised complete block estimate), and sum to 0 in each.
    """
    side = np.asarray(after, bool)
    if block is None:
        return np.where(side, 1 / max(side.sum(), 1), -1 / max((~side).sum(), 1))
    return np.linalg.pinv(np.column_stack([side, dummies(block)]).astype(float))[0]


def pass_contrast(logs: ArrayLike, after: ArrayLike, block: ArrayLike | None = None) -> Student:
    """After less before from logs (…, n), by Welch (1947), or with blocks by part + block + error.

    N passes in b blocks leave N − b − 1 degrees of freedom (Montgomery, Design and Analysis of Experiments, blocking).
    The error is not a number with fewer than two passes a side, or where blocks leave no degree of freedom.
    """
    values, side = np.asarray(logs, float), np.asarray(after, bool)
    share = weights(side, block)
    difference = values @ share
    if block is None:
        counts = np.array([(~side).sum(), side.sum()])
        if counts.min() < 2:
            return Student(difference, difference * np.nan, difference * np.nan)
        squares = np.stack([values[..., of].var(axis=-1, ddof=1) for of in (~side, side)], axis=-1) / counts
        total = squares.sum(axis=-1)
        with np.errstate(invalid="ignore", divide="ignore"):
            df = total**2 / (squares**2 / (counts - 1)).sum(axis=-1)
        return Student(difference, np.sqrt(total), df)
    variance, df = residual_variance(values, np.column_stack([side, dummies(block)]))
    return Student(difference, np.sqrt(variance * (share @ share)), df)


def residual_variance(values: NDArray[np.float64], model: NDArray[Any]) -> tuple[Floats, float]:
    """Residual mean square of values (…, n) about a linear model (n, k), and its df; NaN where there are none."""
    residual_maker = off(model)
    df = round(float(np.trace(residual_maker)))
    if df < 1:
        return values[..., 0] * np.nan, np.nan
    return ((values @ residual_maker) ** 2).sum(axis=-1) / df, float(df)


def off(model: NDArray[Any]) -> NDArray[np.float64]:
    """The matrix (n, n) that leaves of a vector what the columns (n, k) do not explain."""
    columns = model.astype(float)
    return np.eye(len(columns)) - columns @ np.linalg.pinv(columns)


def dummies(labels: ArrayLike) -> NDArray[np.bool_]:
    """A column for every label: labels (n,) to (n, k)."""
    values = np.asarray(labels)
    return np.asarray(values[:, None] == np.unique(values))


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
    before = float(np.exp(values.mean() - student.difference * after.mean()))
    if not all(np.ptp(values[side]) > NO_SPREAD for side in (~after, after)):
        student = replace(student, error=np.nan)  # copies, not passes
    return in_numbers(student, before, (int((~after).sum()), int(after.sum())), margin)


def in_numbers(
    student: Student, before: float, passes: tuple[int, int], margin: float, alpha: float = ALPHA
) -> Contrast:
    """A contrast in plain numbers from a difference of logarithms and the level before; no tests without an error.

    `interval` is that of 1 − `alpha`. Ratios that no float holds are infinite.
    """
    tells = bool(student.error > NO_SPREAD)
    with np.errstate(over="ignore"):
        ratio = float(student.ratio)
        return Contrast(
            before=before,
            after=before * ratio,
            ratio=ratio,
            interval=ends(student, alpha) if tells else None,
            interval_90=ends(student, 2 * ALPHA) if tells else None,
            passes=passes,
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


def block_ratios(logs: ArrayLike, is_after: ArrayLike, block: ArrayLike) -> tuple[float, ...]:
    """The ratio of geometric means in each block in turn that holds both sides, from logs (n,)."""
    values, after, blocks = np.asarray(logs, float), np.asarray(is_after, bool), np.asarray(block)
    return tuple(
        float(np.exp(values[(blocks == number) & after].mean() - values[(blocks == number) & ~after].mean()))
        for number in np.intersect1d(blocks[after], blocks[~after])
    )


def p_interaction(logs: ArrayLike, is_after: ArrayLike, block: ArrayLike) -> float | None:
    """The p of part × block: F-test against the passes' own spread within part and block; None where it cannot be."""
    values, after, blocks = np.asarray(logs, float), np.asarray(is_after, bool), dummies(block)
    additive = off(np.column_stack([after, blocks]))
    cells = off(np.column_stack([blocks & after[:, None], blocks & ~after[:, None]]))
    within, within_df = _square(values, cells)
    between, between_df = _square(values, additive - cells)
    if min(within_df, between_df) < 1 or not within > 0:
        return None
    return float(scipy.special.fdtrc(between_df, within_df, between / between_df / (within / within_df)))


def _square(values: NDArray[np.float64], projection: NDArray[np.float64]) -> tuple[float, int]:
    """Sum of squares and degrees of freedom of what a projection (n, n) leaves."""
    return float(values @ projection @ values), round(float(np.trace(projection)))
