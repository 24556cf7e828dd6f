"""On these drives: after less before, with the error that passes alone give it; for one set of passes or many at once.

Everything is on natural logarithms. The last axis of `logs` holds the passes; the axes before it, if any, hold sets of
passes of the same design, so that a simulation of thousands of sets runs the code that decides.
"""

from __future__ import annotations

from dataclasses import dataclass
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
        """After over before."""
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
