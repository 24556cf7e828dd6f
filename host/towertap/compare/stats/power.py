"""How many passes it takes: the power of the two tests of a finding, exact for figures log-normal over passes.

Both sides are taken to have the same number of passes n and the same spread. Then the pooled variance is chi-square
with 2 n − 2 degrees of freedom, and the share of it that one side contributes is beta-distributed and independent of
it; the standard error hangs on the first alone, Welch's degrees of freedom on the second alone. The power is the mean,
over both, of a normal probability, taken here at the middles of equally probable steps.

Where b blocks share the passes alike and decide (`effect.additive`), the pooled variance has 2 n − b − 1 degrees of
freedom, the critical value is fixed, and the power that of the non-central t.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from towertap.compare.stats.ratio import NO_SPREAD
from towertap.errors import AnalysisError

MOST_PASSES = 100
"""A side that needs more passes than these is told as out of reach."""
CAUTION = 0.80
"""Confidence of the upper limit of a pilot's spread: with it, four pilots in five plan passes enough (Browne 1995)."""


@dataclass(frozen=True)
class Spread:
    """How far passes with nothing changed stray: `value` and `upper` as standard deviations of the logarithm.

    `upper` is the one-sided chi-square limit that the true spread stays below with the confidence CAUTION; a spread
    that was given as a number, and not estimated, has `df` None and `upper` equal to `value`.
    """

    value: float
    upper: float
    df: int | None = None


def given_spread(cv: float) -> Spread:
    """The spread of log-normal figures whose coefficient of variation is `cv`, a fraction above 0."""
    value = math.sqrt(math.log1p(cv**2))
    return Spread(value, value)


def coefficient_of_variation(spread: float) -> float:
    """The coefficient of variation, a fraction, of log-normal figures whose logarithm strays by `spread`."""
    return math.sqrt(math.expm1(spread**2))


def pilot_spread(groups: Sequence[ArrayLike]) -> Spread:
    """Pool the spread within groups of figures (n,), positive, each of passes alike in part and road.

    Raises AnalysisError when no group has two passes that differ.
    """
    logs = [np.log(np.asarray(group, float)) for group in groups if len(np.atleast_1d(group)) > 1]
    df = sum(of_group.size - 1 for of_group in logs)
    squares = sum(float(((of_group - of_group.mean()) ** 2).sum()) for of_group in logs)
    if not df or math.sqrt(squares) < NO_SPREAD:
        raise AnalysisError("a pilot needs two different passes or more over one road with one part: drive some more")
    value = math.sqrt(squares / df)
    return Spread(value, upper(value, df), df)


def upper(spread: float, df: int) -> float:
    """The limit that the true spread stays below with the confidence CAUTION, of one estimated with `df` degrees."""
    return spread * math.sqrt(df / float(special.chdtri(df, CAUTION)))


def difference_power(
    ratio: float, spread: float, passes: int, alpha: float = 0.05, *, blocks: int = 1, welch: bool = True
) -> float:
    """Probability that the two-sided difference test at `alpha` shows a true `ratio` of after to before.

    `spread` is the standard deviation of the logarithm of a pass's figure, `passes` their number on each side, two or
    more. The test is the one that decides: Welch's with one block, that of the additive model with more, of which
    `passes` is a multiple; Student's, whose power other tables hold, without `welch`.
    """
    shift, errors, reach = _terms(math.log(ratio), spread, passes, alpha / 2, blocks, welch)
    return float((special.ndtr(shift - reach * errors) + special.ndtr(-shift - reach * errors)).mean())


def equivalence_power(
    margin: float,
    spread: float,
    passes: int,
    alpha: float = 0.05,
    *,
    ratio: float = 1.0,
    blocks: int = 1,
    welch: bool = True,
) -> float:
    """Probability that the two one-sided tests at `alpha` hold a true `ratio` inside 1 / (1 + margin) to 1 + margin.

    The other arguments are as in `difference_power`.
    """
    shift, errors, reach = _terms(math.log(ratio), spread, passes, alpha, blocks, welch)
    bound = math.log1p(margin) / (spread * math.sqrt(2 / passes))
    inside = special.ndtr(bound - shift - reach * errors) - special.ndtr(reach * errors - bound - shift)
    return float(np.maximum(inside, 0).mean())


@dataclass(frozen=True)
class Strength:
    """What a number of passes can do, and how many it takes.

    `difference` and `equivalence` are the powers of the two tests with the passes there are; `…_needed` the passes a
    side for the power wanted, None beyond MOST_PASSES.
    """

    difference: float
    equivalence: float
    difference_needed: int | None
    equivalence_needed: int | None

    @property
    def needed(self) -> int | None:
        """Passes a side with which both tests have the power wanted."""
        if self.difference_needed is None or self.equivalence_needed is None:
            return None
        return max(self.difference_needed, self.equivalence_needed)


def strength(
    margin: float, spread: float, passes: int, power: float = 0.80, alpha: float = 0.05, blocks: int = 1
) -> Strength:
    """How surely a change as large as `margin` is shown, and no change at all is held inside it.

    `margin` and `power` are fractions; the other arguments are as in `difference_power`. The passes needed are such as
    the blocks can share alike.
    """

    def shown(n: int) -> float:
        return difference_power(1 + margin, spread, n, alpha, blocks=blocks)

    def equivalent(n: int) -> float:
        return equivalence_power(margin, spread, n, alpha, blocks=blocks)

    def fewest(test: Callable[[int], float]) -> int | None:
        return next((n for n in range(max(2, blocks), MOST_PASSES + 1, blocks) if test(n) >= power), None)

    return Strength(shown(passes), equivalent(passes), fewest(shown), fewest(equivalent))


def _terms(
    log_ratio: float, spread: float, passes: int, tail: float, blocks: int, welch: bool
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """The true shift and its estimated errors (k,), in true standard errors, and critical values (m, 1)."""
    pooled = 2 * passes - blocks - 1
    errors = np.sqrt(special.chdtri(pooled, _middles(400)) / pooled)
    df: NDArray[np.float64] = np.array([float(pooled)])
    if welch and blocks == 1:
        side = special.betaincinv((passes - 1) / 2, (passes - 1) / 2, _middles(100))
        df = (passes - 1) / (side**2 + (1 - side) ** 2)
    return log_ratio / (spread * math.sqrt(2 / passes)), errors, special.stdtrit(df, 1 - tail)[:, None]


def _middles(steps: int) -> NDArray[np.float64]:
    return (np.arange(steps) + 0.5) / steps
