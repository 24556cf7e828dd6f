"""Counts of passes before and after: exact Poisson intervals, and a rate ratio with the pass as the unit.

Counts are compared twice, and the wider answer decides. First as Poisson counts, by the exact conditional test (given
their sum, the count after is binomial; Przyborowski and Wilenski 1940): p is twice the smaller tail, with Clopper and
Pearson's interval. Then with the pass as the unit, since counts scatter over passes more than Poisson counts would: a
ratio's deviance is tested against the dispersion over passes (Pearson's χ² over its degrees of freedom, never below 1)
by F, and the interval holds every ratio that the test accepts (quasi-Poisson, McCullagh and Nelder 1989). A side
without any count shows no scatter, and enters neither the χ² nor its degrees of freedom.

Pearson's χ² assumes that a pass's variance grows with its exposure. If every pass has a rate of its own, that of a long
pass grows faster, so the jackknife over passes replaces a side's χ² when it is larger (MacKinnon and White 1985).
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import ALPHA


@dataclass(frozen=True)
class RateRatio:
    """After over before: the ratio (NaN for none over none), its 95 % interval, p, and the dispersion over passes.

    `interval` and `p` are the wider of exact and quasi-Poisson: the interval excludes 1 exactly when p < 0.05. It
    starts at 0 with none after, and is unbounded with none before. They and `dispersion`, that of the sides with
    knocks, are None when no pass has a knock or a side has one pass.
    """

    ratio: float
    interval: tuple[float, float] | None
    p: float | None
    dispersion: float | None


def poisson_interval(count: int, exposure: float) -> tuple[float, float]:
    """Exact 95 % interval of a Poisson rate (Garwood 1936); for a count of 0, from 0 to the one-sided 95 % bound."""
    if not count:
        return 0.0, -math.log(ALPHA) / exposure
    low, high = scipy.special.gammaincinv([count, count + 1], [ALPHA / 2, 1 - ALPHA / 2])
    return float(low / exposure), float(high / exposure)


def exact_ratio(counts: tuple[int, int], exposures: tuple[float, float]) -> tuple[tuple[float, float], float]:
    """95 % interval of the rate ratio after / before of two Poisson counts, not both 0, and the p of no change.

    Exact, given the sum of the counts; p is twice the smaller tail, consistent with the interval (Clopper and Pearson
    1934).
    """
    before, after = counts
    total, share = before + after, exposures[1] / sum(exposures)
    tails = scipy.special.bdtr(after, total, share), scipy.special.bdtrc(after - 1, total, share)
    low = scipy.special.betaincinv(after, before + 1, ALPHA / 2) if after else 0.0
    high = scipy.special.betaincinv(after + 1, before, 1 - ALPHA / 2) if before else 1.0
    low, high = (s / (1 - s) * exposures[0] / exposures[1] if s < 1 else math.inf for s in (low, high))
    return (float(low), float(high)), min(1.0, 2 * float(min(tails)))


def deviance_ratio(
    counts: tuple[int, int], exposures: tuple[float, float], dispersion: float, df: int
) -> tuple[tuple[float, float], float]:
    """95 % interval of the rate ratio after / before of two counts, not both 0, and the p of no change, by F.

    A ratio's cost is the difference in deviance between Poisson regressions with that ratio and with a free one. Over
    the `dispersion`, known with `df` degrees of freedom, it follows F with 1 and df (McCullagh and Nelder 1989). The
    interval holds every ratio with p above 0.05.
    """
    before, after = counts
    total = before + after
    least = scipy.special.xlogy(before, before / total) + scipy.special.xlogy(after, after / total)
    unit = math.log(exposures[1] / exposures[0])

    def cost(logit: float) -> float:
        """Cost of the ratio at which the expected counts, after / before, are exp(logit)."""
        return 2 * float(least - before * scipy.special.log_expit(-logit) - after * scipy.special.log_expit(logit))

    most = dispersion * float(scipy.special.fdtri(1, df, 1 - ALPHA))
    enough = most / 2 + total * math.log(2)  # over a side's count: a logit that costs more than `most`
    low, high = -math.inf, math.inf
    best = math.log(after / before) if before and after else math.copysign(50.0, after - before)  # in effect infinite
    if after:
        low = scipy.optimize.brentq(lambda at: cost(at) - most, -enough / after, best)
    if before:
        high = scipy.optimize.brentq(lambda at: cost(at) - most, best, enough / before)
    with np.errstate(over="ignore"):
        limits = float(np.exp(low - unit)), float(np.exp(high - unit))
    return limits, float(scipy.special.fdtrc(1, df, cost(unit) / dispersion))


def rate_ratio(before: ArrayLike, after: ArrayLike, exposure_before: ArrayLike, exposure_after: ArrayLike) -> RateRatio:
    """Compare the counts of passes (n,), with exposures (n,) in any one unit, all positive."""
    counts = [np.asarray(side, float) for side in (before, after)]
    exposures = [np.asarray(side, float) for side in (exposure_before, exposure_after)]
    sums = int(counts[0].sum()), int(counts[1].sum())
    times = float(exposures[0].sum()), float(exposures[1].sum())
    if not any(sums):
        return RateRatio(math.nan, None, None, None)
    ratio = sums[1] / times[1] / (sums[0] / times[0]) if sums[0] else math.inf
    if min(side.size for side in counts) < 2:
        return RateRatio(ratio, None, None, None)
    with_knocks = [(side, exposure) for side, exposure in zip(counts, exposures, strict=True) if side.any()]
    df = sum(side.size - 1 for side, _ in with_knocks)
    dispersion = sum(_scatter(side, times) for side, times in with_knocks) / df
    exact, p_exact = exact_ratio(sums, times)
    scattered, p = deviance_ratio(sums, times, max(1.0, dispersion), df)
    interval = min(exact[0], scattered[0]), max(exact[1], scattered[1])
    return RateRatio(ratio, interval, max(p_exact, p), dispersion)


def _scatter(counts: NDArray[np.float64], exposures: NDArray[np.float64]) -> float:
    """χ² of one side's passes, (n,) each, two or more: Pearson's, or the jackknife's if that is larger.

    The jackknife compares each pass with the rate of the others; for equally long passes both are the same.
    """
    share = exposures / exposures.sum()
    squares = np.square(counts - counts.sum() * share)
    pearson = (squares / share).sum()
    jackknife = (squares / np.square(1 - share)).sum() * (counts.size - 1) ** 2 / counts.size
    return float(max(pearson, jackknife) / counts.sum())
