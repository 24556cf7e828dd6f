"""The statistics of a level over months: the line through the days, when it has gone so far, days against passes.

Passes of one day share its weather, its tyres and its driver: they say how far passes stray, and not how far days do.
For a trend the session is therefore the unit: a straight line by least squares through the sessions' means, with as
many degrees of freedom as sessions less two. With as many passes in every session that is the line that a mixed model
with a random session gives, and it needs no estimate of the days' spread, for which a handful of days is too few.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from towertap.compare.stats.ratio import NO_SPREAD, Contrast

Array = NDArray[np.float64]

FEWEST_SESSIONS = 3
"""Two points are always on a line; the third is the first that can stray from it."""


@dataclass(frozen=True)
class Line:
    """A least-squares line: `intercept` at month 0, `slope` a month, its standard `error`, `df` degrees of freedom.

    `scatter` is the standard deviation of the `count` points about it, `middle` the mean of their months and `squares`
    the sum of squares of their months about that.
    """

    slope: float
    intercept: float
    error: float
    df: int
    scatter: float
    count: int
    middle: float
    squares: float

    def at(self, months: ArrayLike) -> Array:
        """The line at some months (n,)."""
        at: Array = self.intercept + self.slope * np.asarray(months, float)
        return at

    def slope_interval(self, level: float = 0.95) -> tuple[float, float]:
        """The slope's interval by Student's t."""
        reach = float(stats.t.isf((1 - level) / 2, self.df)) * self.error
        return self.slope - reach, self.slope + reach

    def band(self, months: ArrayLike, level: float = 0.95) -> tuple[Array, Array]:
        """Lower and upper end of the interval of the line itself at some months (n,), each (n,), by Student's t."""
        at = np.asarray(months, float)
        errors = self.scatter * np.sqrt(1 / self.count + (at - self.middle) ** 2 / self.squares)
        reach = stats.t.isf((1 - level) / 2, self.df) * errors
        return self.at(at) - reach, self.at(at) + reach


def fit_line(months: ArrayLike, means: ArrayLike) -> Line | None:
    """The line through session means (n,) of logarithms at their months (n,).

    None with fewer than FEWEST_SESSIONS, or where all lie on one line to the last digit, as no drives do.
    """
    x, y = np.asarray(months, float), np.asarray(means, float)
    if x.size < FEWEST_SESSIONS:
        return None
    fitted = stats.linregress(x, y)
    scatter = math.sqrt(float(((y - fitted.intercept - fitted.slope * x) ** 2).sum()) / (x.size - 2))
    if scatter < NO_SPREAD:
        return None
    return Line(
        slope=float(fitted.slope),
        intercept=float(fitted.intercept),
        error=float(fitted.stderr),
        df=x.size - 2,
        scatter=scatter,
        count=x.size,
        middle=float(x.mean()),
        squares=float(((x - x.mean()) ** 2).sum()),
    )


def slope_tests(line: Line, span_months: float, margin: float) -> tuple[float, float]:
    """Two-sided p of no slope, and p of the two one-sided tests that over the span it stays within the margin.

    As in `contrast`: Schuirmann (1987) against ± ln(1 + margin).
    """
    gone, error = abs(line.slope) * span_months, line.error * span_months
    p_difference = 2 * stats.t.sf(gone / error, line.df)
    return float(p_difference), float(stats.t.sf((math.log1p(margin) - gone) / error, line.df))


def months_to(line: Line, distance: float, level: float = 0.95) -> tuple[float | None, float, float | None]:
    """Months in which the line goes a `distance` up or down, and the ends of the interval of that time.

    Fieller's interval (1954) of a ratio whose numerator is known: the slope's own, turned over. Where that holds 0 the
    line may never go so far: no months and no upper end, and the lower end is for the steepest slope it holds.
    """
    low, high = line.slope_interval(level)
    earliest = distance / max(abs(low), abs(high))
    if low <= 0 <= high:
        return None, earliest, None
    return distance / abs(line.slope), earliest, distance / min(abs(low), abs(high))


def days_against_passes(months: ArrayLike, groups: Sequence[ArrayLike]) -> tuple[float, float] | None:
    """How far session means would stray if days did not differ, and the p of the test that they do not.

    `groups` are logarithms of figures of passes, (n,) a session, at `months` (sessions,). The first is a standard
    deviation, from the passes' own spread within sessions; the second the F-test of lack of fit of a straight line
    (Draper and Smith, Applied Regression Analysis, 3rd edition, 1998, section 2.1). None where no session has two
    passes that differ, or with fewer than FEWEST_SESSIONS.
    """
    x, logs = np.asarray(months, float), [np.asarray(group, float) for group in groups]
    counts = np.array([one.size for one in logs])
    within_df = int((counts - 1).sum())
    within = sum(float(((one - one.mean()) ** 2).sum()) for one in logs)
    if x.size < FEWEST_SESSIONS or not within_df or math.sqrt(within) < NO_SPREAD:
        return None
    variance = within / within_df
    means = np.array([one.mean() for one in logs])
    slope, intercept = np.polyfit(x, means, 1, w=np.sqrt(counts))
    lack = float((counts * (means - intercept - slope * x) ** 2).sum()) / (x.size - 2)
    return math.sqrt(variance * float((1 / counts).mean())), float(stats.f.sf(lack / variance, x.size - 2, within_df))


def against_first(groups: Sequence[ArrayLike], margin: float, level: float = 0.95) -> list[Contrast]:
    """Hold each later group of passes against the first, on logarithms, by the spread of passes within all groups.

    `groups` are figures of passes, (n,), positive, one group a session. Three passes hardly tell their own spread;
    those of all sessions together do, as in Dunnett's test (1955). Intervals are Student's at `level`, the
    p-values those of `contrast`; None where no session has two passes that differ.
    """
    logs = [np.log(np.asarray(group, float)) for group in groups]
    df = sum(one.size - 1 for one in logs)
    squares = sum(float(((one - one.mean()) ** 2).sum()) for one in logs)
    tells = df > 0 and math.sqrt(squares) > NO_SPREAD
    first, found = logs[0], []
    for later in logs[1:]:
        difference = float(later.mean() - first.mean())
        interval, p_difference, p_equivalence = None, None, None
        if tells:
            error = math.sqrt(squares / df * (1 / first.size + 1 / later.size))
            reach = float(stats.t.isf((1 - level) / 2, df)) * error
            with np.errstate(over="ignore"):
                interval = (float(np.exp(difference - reach)), float(np.exp(difference + reach)))
            p_difference = float(2 * stats.t.sf(abs(difference) / error, df))
            p_equivalence = float(stats.t.sf((math.log1p(margin) - abs(difference)) / error, df))
        found.append(
            Contrast(
                before=float(np.exp(first.mean())),
                after=float(np.exp(later.mean())),
                ratio=float(np.exp(difference)),
                interval=interval,
                passes=(first.size, later.size),
                p_difference=p_difference,
                p_equivalence=p_equivalence,
                standard_error=error if tells else None,
                df=df if tells else None,
            )
        )
    return found
