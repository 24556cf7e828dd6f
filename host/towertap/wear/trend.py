"""The statistics of a level over months: the line through the days, when it crosses a limit, days against passes.

Passes of one day share its weather, tyres and driver: they show how passes vary, not how days do. The unit of a trend
is therefore the session: a least-squares line through the sessions' means, with two degrees of freedom fewer than
sessions. With equally many passes per session this is the line of a mixed model with a random session, and it needs no
estimate of how days vary, for which a handful of days is too few.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import ALPHA, NO_SPREAD, Contrast, Student, in_numbers

Array = NDArray[np.float64]

FEWEST_SESSIONS = 3
"""Two points always lie on a line; the third is the first that can deviate."""


@dataclass(frozen=True)
class Line:
    """A least-squares line: `intercept` at month 0, `slope` per month with standard `error`, `df` degrees of freedom.

    `scatter` is the standard deviation of the points about it, `middle` the mean of their months.
    """

    slope: float
    intercept: float
    error: float
    df: int
    scatter: float
    middle: float

    def at(self, months: ArrayLike) -> Array:
        """The line at `months` (n,)."""
        levels: Array = self.intercept + self.slope * np.asarray(months, float)
        return levels

    def slope_interval(self, alpha: float = ALPHA) -> tuple[float, float]:
        """The slope's 1 − `alpha` interval (Student's t)."""
        reach = self.between(0.0, 1.0).half_width(alpha)
        return self.slope - reach, self.slope + reach

    def band(self, months: ArrayLike) -> tuple[Array, Array]:
        """Lower and upper end (n,) of the 95 % interval of the line itself at `months` (n,)."""
        errors = np.hypot(self.scatter / math.sqrt(self.df + 2), self.error * (np.asarray(months, float) - self.middle))
        reach = Student(0.0, errors, self.df).half_width()
        return self.at(months) - reach, self.at(months) + reach

    def between(self, start: float, end: float) -> Student:
        """The rise from one month to another."""
        return Student(self.slope * (end - start), self.error * (end - start), self.df, least_p=0.0)


def fit_line(months: ArrayLike, means: ArrayLike) -> Line | None:
    """The line through sessions' mean logarithms (n,) at `months` (n,).

    None with fewer than FEWEST_SESSIONS, or if all points lie exactly on one line, which real drives never do.
    """
    x, y = np.asarray(months, float), np.asarray(means, float)
    if x.size < FEWEST_SESSIONS:
        return None
    fit = scipy.stats.linregress(x, y)
    scatter = math.sqrt(float(((y - fit.intercept - fit.slope * x) ** 2).sum()) / (x.size - 2))
    if scatter < NO_SPREAD:
        return None
    return Line(float(fit.slope), float(fit.intercept), float(fit.stderr), x.size - 2, scatter, float(x.mean()))


def months_to(line: Line, distance: float, alpha: float = ALPHA) -> tuple[float | None, float, float | None]:
    """Months until the line has risen or fallen by `distance`, and the ends of their interval.

    Fieller's interval (1954) of a ratio with a known numerator: the distance over the ends of the slope's interval. If
    that contains 0, the line may never get there: no months, no upper end, and the lower end is for the steepest slope.
    """
    low, high = line.slope_interval(alpha)
    earliest = distance / max(abs(low), abs(high))
    if low <= 0 <= high:
        return None, earliest, None
    return distance / abs(line.slope), earliest, distance / min(abs(low), abs(high))


def days_against_passes(months: ArrayLike, groups: Sequence[ArrayLike]) -> tuple[float, float] | tuple[None, None]:
    """How much session means would vary if days did not differ, and the p of the test that they do not.

    `groups` are logarithms of passes' values, (n,) per session, at `months` (sessions,). The first result is a standard
    deviation, from the spread of passes within sessions; the second is the lack-of-fit F-test of a straight line
    (Draper and Smith, Applied Regression Analysis, 3rd edition, 1998, section 2.1). None if no session has two passes
    that differ, or with fewer than FEWEST_SESSIONS.
    """
    x, logs = np.asarray(months, float), [np.asarray(group, float) for group in groups]
    spread, within_df = _within(logs)
    if x.size < FEWEST_SESSIONS or math.isnan(spread):
        return None, None
    counts, means = np.array([group.size for group in logs]), np.array([group.mean() for group in logs])
    slope, intercept = np.polyfit(x, means, 1, w=np.sqrt(counts))
    lack = float((counts * (means - intercept - slope * x) ** 2).sum()) / (x.size - 2)
    return spread * math.sqrt((1 / counts).mean()), float(scipy.stats.f.sf(lack / spread**2, x.size - 2, within_df))


def against_first(groups: Sequence[ArrayLike], margin: float, alpha: float = ALPHA) -> list[Contrast]:
    """Compare each later group of passes with the first, on logarithms.

    `groups` are positive values of passes, (n,), one group per session. Three passes estimate their spread poorly, so
    it is pooled over all sessions, as in Dunnett's test (1955). Intervals are Student's of 1 − `alpha`, p-values those
    of `contrast`; both None if no session has two passes that differ.
    """
    first, *later = logs = [np.log(np.asarray(group, float)) for group in groups]
    spread, df = _within(logs)
    contrasts = []
    for group in later:
        error = spread * math.sqrt(1 / first.size + 1 / group.size)
        rise = Student(float(group.mean() - first.mean()), error, df, least_p=0.0)
        contrasts.append(in_numbers(rise, math.exp(first.mean()), (first.size, group.size), margin, alpha))
    return contrasts


def _within(logs: Sequence[Array]) -> tuple[float, int]:
    """Pooled standard deviation within groups (n,), NaN if no group has two values that differ, and its df."""
    df = sum(group.size - 1 for group in logs)
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in logs)
    return math.sqrt(squares / df) if df and math.sqrt(squares) > NO_SPREAD else math.nan, df
