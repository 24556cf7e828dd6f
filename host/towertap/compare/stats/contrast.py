"""On these drives: after less before, with the error of the passes alone; for one set of passes or many at once.

Everything is on natural logarithms. The last axis of `logs` holds the passes. Axes before it hold sets of passes of the
same design, so that a simulation of thousands of sets runs the code that decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

Floats = Any
"""A float for a single set of passes, or an array with one element per set."""
Verdict = Literal["harsher", "gentler", "equivalent", "undecided"]
Levels = tuple[float, float]
"""The levels at which the difference and equivalence are tested."""

ALPHA = 0.05
LEAST_P = 0.001
"""No smaller p is reported: a dozen passes cannot show that their logarithms follow Student's law that far out."""
NO_SPREAD = 1e-12
"""Logarithms of one side's passes that differ by less are copies, not passes."""


@dataclass(frozen=True, eq=False)
class Student:
    """An estimate whose error follows Student's t: the difference of logarithms, its standard error, and their df.

    Half-width, interval and p-values come from t with `df` degrees of freedom, and are never narrower (smaller) than
    those of `at_least`, if given.
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
        """The 1 − `alpha` interval of the ratio; with twice ALPHA, the one that decides equivalence."""
        reach = self.half_width(alpha)
        return np.exp(self.difference - reach), np.exp(self.difference + reach)

    def p_difference(self) -> Floats:
        """Two-sided p of no difference, to decide by; `reported_p` limits it for a report."""
        own = 2 * self._tail(-np.abs(self.difference))
        return own if self.at_least is None else np.maximum(own, self.at_least.p_difference())

    def p_equivalence(self, margin: float) -> Floats:
        """The p of the two one-sided tests (Schuirmann 1987) against the ratios 1 / (1 + margin) and 1 + margin."""
        own = self._tail(np.abs(self.difference) - np.log1p(margin))
        return own if self.at_least is None else np.maximum(own, self.at_least.p_equivalence(margin))

    def reported_p(self, p: float) -> float:
        """A p of a single set, adjusted or not, for a report: no smaller than the model supports."""
        return max(float(p), self.least_p)

    def _tail(self, distance: Floats) -> Floats:
        """Student's probability below a distance; NaN when passes without spread leave no error."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return scipy.special.stdtr(self.df, np.true_divide(distance, self.error))

    def verdict(self, margin: float, levels: Levels = (ALPHA, ALPHA)) -> Verdict:
        """Same as the function `verdict`, for a single set; undecided without an error."""
        return verdict(self.ratio, self.p_difference(), self.p_equivalence(margin), levels)


def verdict(
    ratio: float, p_difference: float | None, p_equivalence: float | None, levels: Levels = (ALPHA, ALPHA)
) -> Verdict:
    """The verdict from the ratio and the p-values of the difference and of the two one-sided tests; None: no test.

    `equivalent` comes before `harsher` and `gentler`: a real difference inside the margin does not count. A large p is
    never taken as "the same".
    """
    if p_difference is None or p_equivalence is None:
        return "undecided"
    if p_equivalence < levels[1]:
        return "equivalent"
    if p_difference < levels[0]:
        return "harsher" if ratio > 1 else "gentler"
    return "undecided"


def weights(after: ArrayLike, block: ArrayLike | None = None) -> NDArray[np.float64]:
    """The weights w (n,) with which the difference is w · logs: they sum to 1 after and to −1 before.

    `after` (n,) is True for a pass after the change. Without blocks the passes of a side have equal weights. With
    blocks (n,) they are the least-squares weights of part + block (randomised complete blocks), and sum to 0 in each.
    """
    side = np.asarray(after, bool)
    if block is None:
        return np.where(side, 1 / max(side.sum(), 1), -1 / max((~side).sum(), 1))
    return np.linalg.pinv(np.column_stack([side, dummies(block)]).astype(float))[0]


def pass_contrast(logs: ArrayLike, after: ArrayLike, block: ArrayLike | None = None) -> Student:
    """After less before from logs (…, n), by Welch (1947), or with blocks by part + block + error.

    N passes in b blocks leave N − b − 1 degrees of freedom (Montgomery, Design and Analysis of Experiments, blocking).
    The error is NaN with fewer than two passes per side, or if the blocks leave no degree of freedom.
    """
    values, side = np.asarray(logs, float), np.asarray(after, bool)
    share = weights(side, block)
    difference = values @ share
    if block is None:
        counts = np.array([(~side).sum(), side.sum()])
        if counts.min() < 2:
            return Student(difference, difference * np.nan, difference * np.nan)
        squares = np.stack([values[..., mask].var(axis=-1, ddof=1) for mask in (~side, side)], axis=-1) / counts
        total = squares.sum(axis=-1)
        with np.errstate(invalid="ignore", divide="ignore"):
            df = total**2 / (squares**2 / (counts - 1)).sum(axis=-1)
        return Student(difference, np.sqrt(total), df)
    variance, df = residual_variance(values, np.column_stack([side, dummies(block)]))
    return Student(difference, np.sqrt(variance * (share @ share)), df)


def residual_variance(values: NDArray[np.float64], model: NDArray[Any]) -> tuple[Floats, float]:
    """Residual mean square of values (…, n) about a linear model (n, k), and its df; NaN without any."""
    off_model = residual_maker(model)
    df = round(float(np.trace(off_model)))
    if df < 1:
        return values[..., 0] * np.nan, np.nan
    return ((values @ off_model) ** 2).sum(axis=-1) / df, float(df)


def residual_maker(model: NDArray[Any]) -> NDArray[np.float64]:
    """The matrix (n, n) that projects a vector onto its residuals from the columns (n, k)."""
    columns = model.astype(float)
    return np.eye(len(columns)) - columns @ np.linalg.pinv(columns)


def dummies(labels: ArrayLike) -> NDArray[np.bool_]:
    """Indicator columns, one per label: labels (n,) to (n, k)."""
    values = np.asarray(labels)
    return np.asarray(values[:, None] == np.unique(values))


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """Two groups of passes compared on logarithms.

    `before` and `after` are geometric means over passes in the metric's unit (by block: adjusted to the blocks of all
    passes). `ratio` is after / before, `interval` its 95 % interval (Welch's, or by block) and `interval_90` the one
    that decides equivalence. `passes` are the numbers of passes, `p_difference` is the two-sided p, `p_equivalence`
    that of the two one-sided tests against the margin, neither below LEAST_P. All follow from `standard_error`, of the
    ratio's logarithm, and `df` (Student's t). They are None when a side has one pass or only copies.
    """

    before: float
    after: float
    ratio: float
    interval: tuple[float, float] | None = None
    interval_90: tuple[float, float] | None = None
    passes: tuple[int, int]
    p_difference: float | None = None
    p_equivalence: float | None = None
    standard_error: float | None = None
    df: float | None = None


def contrast(before: ArrayLike, after: ArrayLike, margin: float, block: ArrayLike | None = None) -> Contrast:
    """Compare two groups of passes on logarithms.

    `before` and `after` are values of passes, (n,) and (m,), positive, in one unit; `block` (n + m,), those before
    first, pairs them. The margin is symmetric in the logarithm, ratios from 1 / (1 + margin) to 1 + margin, so that
    swapping the sides only inverts the ratio. Below 1 it is narrower than 1 − margin, never the more lenient choice.
    """
    sides = np.log(np.asarray(before, float)), np.log(np.asarray(after, float))
    logs, is_after = np.concatenate(sides), np.repeat([False, True], [side.size for side in sides])
    return described(pass_contrast(logs, is_after, block), logs, is_after, margin)


def described(student: Student, logs: ArrayLike, is_after: ArrayLike, margin: float) -> Contrast:
    """A contrast in plain numbers; `logs` (n,) are the passes behind it, `is_after` (n,) their sides."""
    values, after = np.asarray(logs, float), np.asarray(is_after, bool)
    before = float(np.exp(values.mean() - student.difference * after.mean()))
    if not all(np.ptp(values[side]) > NO_SPREAD for side in (~after, after)):
        student = replace(student, error=np.nan)  # copies, not passes
    return in_numbers(student, before, (int((~after).sum()), int(after.sum())), margin)


def in_numbers(
    student: Student, before: float, passes: tuple[int, int], margin: float, alpha: float = ALPHA
) -> Contrast:
    """A contrast in plain numbers from a difference of logarithms and the level before; no tests without an error.

    `interval` is the 1 − `alpha` one. Ratios too large for a float are infinite.
    """
    with np.errstate(over="ignore"):
        ratio = float(student.ratio)
        numbers = plain_numbers(student, margin, alpha) if student.error > NO_SPREAD else {}
        return Contrast(before=before, after=before * ratio, ratio=ratio, passes=passes, **numbers)


def plain_numbers(student: Student, margin: float, alpha: float = ALPHA) -> dict[str, Any]:
    """Intervals, tests, error and df of a single set in plain numbers, by the names that `Contrast` gives them."""
    return {
        "interval": ends(student, alpha),
        "interval_90": ends(student, 2 * ALPHA),
        "p_difference": student.reported_p(student.p_difference()),
        "p_equivalence": student.reported_p(student.p_equivalence(margin)),
        "standard_error": float(student.error),
        "df": float(student.df),
    }


def ends(student: Student, alpha: float = ALPHA) -> tuple[float, float]:
    """The 1 − `alpha` interval of the ratio of a single set, as plain floats."""
    low, high = student.interval(alpha)
    return float(low), float(high)


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Adjust p-values by Holm's step-down method (1979); None stays None and does not count."""
    tested = np.array([np.nan if p is None else p for p in p_values], float)
    order = np.argsort(tested)[: int(np.isfinite(tested).sum())]
    steps = np.arange(order.size, 0, -1) * tested[order]
    tested[order] = np.fmin(np.maximum.accumulate(steps), 1.0)
    return [None if np.isnan(p) else float(p) for p in tested]


def block_ratios(logs: ArrayLike, is_after: ArrayLike, block: ArrayLike) -> tuple[float, ...]:
    """The ratio of geometric means, from logs (n,), in each block that holds both sides."""
    values, after, blocks = np.asarray(logs, float), np.asarray(is_after, bool), np.asarray(block)
    return tuple(
        float(np.exp(values[(blocks == number) & after].mean() - values[(blocks == number) & ~after].mean()))
        for number in np.intersect1d(blocks[after], blocks[~after])
    )


def p_interaction(logs: ArrayLike, is_after: ArrayLike, block: ArrayLike) -> float | None:
    """The p of part × block: F-test against the passes' spread within part and block; None if it cannot be tested."""
    values, after, blocks = np.asarray(logs, float), np.asarray(is_after, bool), dummies(block)
    additive = residual_maker(np.column_stack([after, blocks]))
    cells = residual_maker(np.column_stack([blocks & after[:, None], blocks & ~after[:, None]]))
    within, within_df = _sum_of_squares(values, cells)
    between, between_df = _sum_of_squares(values, additive - cells)
    if min(within_df, between_df) < 1 or not within > 0:
        return None
    return float(scipy.special.fdtrc(between_df, within_df, between / between_df / (within / within_df)))


def _sum_of_squares(values: NDArray[np.float64], projection: NDArray[np.float64]) -> tuple[float, int]:
    """Sum of squares and degrees of freedom of the projected values; projection (n, n)."""
    return float(values @ projection @ values), round(float(np.trace(projection)))
