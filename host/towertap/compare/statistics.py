"""The statistics of a comparison: figures of passes in, ratios and p-values out; pure functions on arrays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from towertap.compare.effect import NO_SPREAD, Blocks, Effect, effect, tells_spread
from towertap.compare.model import Box, Contrast, WindowTTest


def contrast(before: ArrayLike, after: ArrayLike, margin: float, blocks: Blocks | None = None) -> Contrast:
    """Hold two groups of passes against each other on logarithms.

    `before` and `after` are figures of passes, (n,), positive, in one unit. The interval and `p_difference` are
    Welch's (1947), or those of the additive model of part and block (`effect.additive`) where `blocks` are given.
    `p_equivalence` is that of the two one-sided tests (Schuirmann 1987) against the ratios 1 / (1 + margin) and
    1 + margin: symmetric in the logarithm, so that swapping the sides swaps nothing else, and narrower below 1 than
    1 − margin, so never the more lenient choice. All three are None where a side has fewer than two passes or no
    spread between its passes.
    """
    found, tells = _estimate(before, after, blocks)
    return Contrast(
        before=float(np.exp(found.before)),
        after=float(np.exp(found.after)),
        ratio=float(np.exp(found.difference)),
        interval=found.interval() if tells else None,
        passes=(np.size(before), np.size(after)),
        p_difference=found.p_difference() if tells else None,
        p_equivalence=found.p_equivalence(margin) if tells else None,
    )


def _estimate(before: ArrayLike, after: ArrayLike, blocks: Blocks | None) -> tuple[Effect, bool]:
    """The effect, and whether the passes tell how far it strays by chance."""
    found = effect(before, after, blocks)
    spread = tells_spread(*(np.log(np.asarray(side, float)) for side in (before, after)))
    return found, spread and found.spread > NO_SPREAD


def smallest_difference(
    before: ArrayLike, after: ArrayLike, alpha: float, power: float = 0.8, blocks: Blocks | None = None
) -> float | None:
    """The ratio above 1 that the difference test would show with this power, given these passes' spread and number.

    `before` and `after` are figures of passes, (n,), positive; `alpha` is two-sided. None as in `contrast`; infinite
    where no ratio that a float holds would do.
    """
    found, tells = _estimate(before, after, blocks)
    if not tells:
        return None
    error, df = found.error, found.df
    critical = float(stats.t.isf(alpha / 2, df))
    # The non-central t as a mean over its chi distribution: scipy's own nct is not a number for many of these values.
    scale = np.sqrt(special.chdtri(df, (np.arange(1000) + 0.5) / 1000) / df) * critical

    def shortfall(shift: float) -> float:
        return float((special.ndtr(shift - scale) + special.ndtr(-scale - shift)).mean()) - power

    shift = optimize.brentq(shortfall, 0.0, float(scale.max()) + 10.0)
    with np.errstate(over="ignore"):
        return float(np.exp(shift * error))


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Adjust p-values for their number by Holm's step-down method (1979); None stays None and does not count."""
    tested = sorted((p, place) for place, p in enumerate(p_values) if p is not None)
    adjusted: list[float | None] = [None] * len(p_values)
    running = 0.0
    for step, (p, place) in enumerate(tested):
        running = max(running, min(1.0, (len(tested) - step) * p))
        adjusted[place] = running
    return adjusted


def energy_mean(values: ArrayLike) -> float:
    """Root mean square of window figures (n,), themselves r.m.s. over windows of equal length; NaN of nothing."""
    squares = np.square(np.asarray(values, float))
    return float(np.sqrt(squares.mean())) if squares.size else float("nan")


def box(values: ArrayLike) -> Box | None:
    """The numbers of a box plot (Tukey 1977) over values (n,), whiskers never inside the box; None of nothing."""
    ordered = np.sort(np.asarray(values, float))
    if not ordered.size:
        return None
    q1, median, q3 = (float(q) for q in np.percentile(ordered, [25, 50, 75]))
    inside = (ordered >= q1 - 1.5 * (q3 - q1)) & (ordered <= q3 + 1.5 * (q3 - q1))
    return Box(
        n=ordered.size,
        median=median,
        q1=q1,
        q3=q3,
        whisker_low=min(q1, float(ordered[inside][0])),
        whisker_high=max(q3, float(ordered[inside][-1])),
        outliers=tuple(ordered[~inside].tolist()),
    )


def lag_1(passes: Sequence[ArrayLike]) -> float:
    """Correlation of neighbouring windows, each pass's own mean removed; NaN where nothing varies."""
    arrays = [np.asarray(values, float) for values in passes]
    centred = [x - x.mean() for x in arrays]
    energy = sum(float(x @ x) for x in centred)
    return sum(float(x[1:] @ x[:-1]) for x in centred) / energy if energy > 0 else float("nan")


def window_t_test(before: ArrayLike, after: ArrayLike, neighbours: float) -> WindowTTest:
    """Student's t-test over kept windows of all passes, (n,) a side, with what is wrong with it.

    `neighbours` is the correlation of neighbouring windows, see `lag_1`.
    """
    a, b = np.asarray(before, float), np.asarray(after, float)
    testable = min(a.size, b.size) >= 2 and max(np.ptp(a), np.ptp(b)) > 0
    p = float(stats.ttest_ind(b, a).pvalue) if testable else None
    note = (
        "Common practice, shown for comparison and not used. It counts every window as an independent trial, but "
        f"windows of one pass share its speed, line and temperature and neighbours are alike (correlation "
        f"{neighbours:.2f}), so its p is wrong; the gate picks windows by the very figure tested; and a p above 0.05 "
        "would not mean that nothing changed."
    )
    return WindowTTest(p=p, n_before=a.size, n_after=b.size, lag_1=neighbours, note=note)
