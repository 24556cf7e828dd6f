"""Two groups of passes against each other: values in, ratio, interval and p-values out; pure functions on arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towertap.compare.stats.effect import NO_SPREAD, Blocks, effect, tells_spread


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """Two groups of passes against each other, on logarithms.

    `before` and `after` are geometric means over passes in the metric's unit, `ratio` = after / before, `interval` its
    95 % interval (Welch's, or by block; None where a side has one pass or the passes cannot tell), `passes` the numbers
    of passes, `p_difference` the two-sided p, `p_equivalence` that of the two one-sided tests against the margin.
    """

    before: float
    after: float
    ratio: float
    interval: tuple[float, float] | None
    passes: tuple[int, int]
    p_difference: float | None
    p_equivalence: float | None


def contrast(before: ArrayLike, after: ArrayLike, margin: float, blocks: Blocks | None = None) -> Contrast:
    """Hold two groups of passes against each other on logarithms.

    `before` and `after` are values of passes, (n,), positive, in one unit. The interval and `p_difference` are
    Welch's (1947), or those of the additive model of part and block (`effect.additive`) where `blocks` are given.
    `p_equivalence` is that of the two one-sided tests (Schuirmann 1987) against the ratios 1 / (1 + margin) and
    1 + margin: symmetric in the logarithm, so that swapping the sides swaps nothing else, and narrower below 1 than
    1 − margin, so never the more lenient choice. All three are None where a side has fewer than two passes or no
    spread between its passes.
    """
    estimate = effect(before, after, blocks)
    spread = tells_spread(*(np.log(np.asarray(side, float)) for side in (before, after)))
    tells = spread and estimate.spread > NO_SPREAD
    return Contrast(
        before=float(np.exp(estimate.before)),
        after=float(np.exp(estimate.after)),
        ratio=float(np.exp(estimate.difference)),
        interval=estimate.interval() if tells else None,
        passes=(np.size(before), np.size(after)),
        p_difference=estimate.p_difference() if tells else None,
        p_equivalence=estimate.p_equivalence(margin) if tells else None,
    )


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Adjust p-values for their number by Holm's step-down method (1979); None stays None and does not count."""
    from statsmodels.stats.multitest import multipletests  # a third of a second to load

    tested = [p for p in p_values if p is not None]
    adjusted = iter(multipletests(tested, method="holm")[1].tolist() if tested else ())
    return [None if p is None else next(adjusted) for p in p_values]
