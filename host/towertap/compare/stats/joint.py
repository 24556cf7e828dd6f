"""Ratios of many bands at once, with intervals that hold for all of them together; pure functions on arrays."""

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import NO_SPREAD, pass_contrast

Array = NDArray[np.float64]

CONFIDENCE = 0.95
"""Joint confidence of all intervals."""


def joint_intervals(before: Array, after: Array, block: ArrayLike | None = None) -> tuple[Array, Array, Array]:
    """Ratios (b,) of geometric means, and the ends (b,) of intervals that hold all of them jointly at CONFIDENCE.

    `before` and `after` are logarithms of the levels of passes, (passes, bands). The intervals are those of the
    contrast, by `block` or Welch's, each with its share of 1 − CONFIDENCE (Bonferroni, valid for any correlation of
    bands). That far out in the tails the degrees of freedom matter most, and one band of few passes estimates Welch's
    badly. So they are limited to those of the mean over bands of the sides' shares of the squared error: a driver
    varies much alike in all bands. `band_coverage.py` gives the coverage with and without that. NaN when a side has
    fewer than two passes or a band's passes are copies.
    """
    logs, is_after = np.concatenate([before, after]).T, np.repeat([False, True], [len(before), len(after)])
    student = pass_contrast(logs, is_after, block)
    spreads = [np.ptp(side, axis=0) if len(side) else np.zeros(side.shape[1]) for side in (before, after)]
    with np.errstate(invalid="ignore"):
        has_error = (spreads[0] > NO_SPREAD) & (spreads[1] > NO_SPREAD) & (student.error > NO_SPREAD)
    df = np.broadcast_to(student.df, has_error.shape)
    if block is None and has_error.any():
        df = np.minimum(df, _common_df(before[:, has_error], after[:, has_error]))
    with np.errstate(over="ignore", invalid="ignore"):  # an interval from two passes may end beyond the largest float
        reach = scipy.special.stdtrit(df, 1 - (1 - CONFIDENCE) / 2 / max(has_error.sum(), 1)) * student.error
        low, high = np.exp(student.difference - reach), np.exp(student.difference + reach)
    return np.exp(student.difference), np.where(has_error, low, np.nan), np.where(has_error, high, np.nan)


def _common_df(before: Array, after: Array) -> float:
    """Welch's degrees of freedom for the mean over bands of the sides' shares of the squared error."""
    parts = np.array([side.var(axis=0, ddof=1) / len(side) for side in (before, after)])
    shares = (parts / parts.sum(axis=0)).mean(axis=1)
    return float(1 / (shares[0] ** 2 / (len(before) - 1) + shares[1] ** 2 / (len(after) - 1)))
