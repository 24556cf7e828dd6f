"""Ratios of many bands at once, with intervals that hold for all of them together; pure functions on arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from towertap.compare.stats.effect import NO_SPREAD, Blocks, additive, tells_spread

Array = NDArray[np.float64]

CONFIDENCE = 0.95
"""Of all intervals together."""


def joint_intervals(before: Array, after: Array, blocks: Blocks | None = None) -> tuple[Array, Array, Array]:
    """Ratios (b,) of geometric means and the ends (b,) of intervals that hold all of them together at CONFIDENCE.

    `before` and `after` are logarithms of the levels of passes, (passes, bands). The intervals are Welch's, each with
    its part of what is left of CONFIDENCE (Bonferroni, whatever the correlation of bands). So far out in the tails the
    degrees of freedom matter more than anything, and from few passes one band tells them badly: they are taken as no
    more than those of the mean over bands of the sides' parts in the squared error, for passes stray as they are driven
    and a side does so much alike in all bands (`tests/compare/band_coverage.py` has what holds without and with that).
    Where `blocks` pair the parts the intervals are those of the additive model, whose degrees of freedom are known. NaN
    where a side has fewer than two passes or the passes of a band are copies.
    """
    sides = (before, after)
    difference = after.mean(axis=0) - before.mean(axis=0)
    ends = np.full((2, difference.size), np.nan)
    tells = np.array([tells_spread(*(side[:, band] for side in sides)) for band in range(difference.size)], bool)
    if blocks is not None:
        effects = [additive(*bands, blocks) for bands in zip(before.T, after.T, strict=True)]
        difference = np.array([effect.difference for effect in effects])
        error, df = (np.array([getattr(effect, name) for effect in effects]) for name in ("error", "df"))
        tells &= error > NO_SPREAD
        reach = stats.t.isf((1 - CONFIDENCE) / 2 / max(tells.sum(), 1), df) * error
        ends[:, tells] = difference[tells] + np.array([-reach, reach])[:, tells]
    elif min(len(before), len(after)) > 1 and tells.any():
        parts = np.array([side[:, tells].var(axis=0, ddof=1) / len(side) for side in sides])
        shares = parts / parts.sum(axis=0)
        together = np.broadcast_to(shares.mean(axis=1, keepdims=True), shares.shape)
        freedom = np.minimum(
            *(1 / (of[0] ** 2 / (len(before) - 1) + of[1] ** 2 / (len(after) - 1)) for of in (shares, together))
        )
        reach = stats.t.isf((1 - CONFIDENCE) / 2 / tells.sum(), freedom) * np.sqrt(parts.sum(axis=0))
        ends[:, tells] = difference[tells] + np.array([-reach, reach])
    with np.errstate(over="ignore"):  # two passes may leave an interval without an end that a float holds
        low, high = np.exp(ends)
    return np.exp(difference), low, high
