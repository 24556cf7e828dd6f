"""Ratios of many bands at once, with intervals that hold for all of them together; pure functions on arrays."""

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import NO_SPREAD, pass_contrast

Array = NDArray[np.float64]

CONFIDENCE = 0.95
"""Of all intervals together."""


def joint_intervals(before: Array, after: Array, block: ArrayLike | None = None) -> tuple[Array, Array, Array]:
    """Ratios (b,) of geometric means and the ends (b,) of intervals that hold all of them together at CONFIDENCE.

    `before` and `after` are logarithms of the levels of passes, (passes, bands). The intervals are those of the
    contrast, by `block` or Welch's, each with its part of what is left of CONFIDENCE (Bonferroni, whatever the
    correlation of bands). So far out in the tails the degrees of freedom matter more than anything, and from few passes
    one band tells Welch's badly: they are taken as no more than those of the mean over bands of the sides' parts in the
    squared error, for passes vary as they are driven, and a side does so much alike in all bands (`band_coverage.py`
    has what holds without and with that). NaN where a side has fewer than two passes or a band's passes are copies.
    """
    logs, is_after = np.concatenate([before, after]).T, np.repeat([False, True], [len(before), len(after)])
    student = pass_contrast(logs, is_after, block)
    spreads = [np.ptp(side, axis=0) if len(side) else np.zeros(side.shape[1]) for side in (before, after)]
    with np.errstate(invalid="ignore"):
        tells = (spreads[0] > NO_SPREAD) & (spreads[1] > NO_SPREAD) & (student.error > NO_SPREAD)
    df = np.broadcast_to(student.df, tells.shape)
    if block is None and tells.any():
        df = np.minimum(df, _together(before[:, tells], after[:, tells]))
    with np.errstate(over="ignore", invalid="ignore"):  # two passes may leave an interval without an end a float holds
        reach = scipy.special.stdtrit(df, 1 - (1 - CONFIDENCE) / 2 / max(tells.sum(), 1)) * student.error
        low, high = np.exp(student.difference - reach), np.exp(student.difference + reach)
    return np.exp(student.difference), np.where(tells, low, np.nan), np.where(tells, high, np.nan)


def _together(before: Array, after: Array) -> float:
    """Welch's degrees of freedom of the mean over bands of the sides' parts in the squared error."""
    parts = np.array([side.var(axis=0, ddof=1) / len(side) for side in (before, after)])
    shares = (parts / parts.sum(axis=0)).mean(axis=1)
    return float(1 / (shares[0] ** 2 / (len(before) - 1) + shares[1] ** 2 / (len(after) - 1)))
