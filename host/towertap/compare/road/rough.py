"""Which places findings rest on: those that all passes together find rough, less bursts of one pass; on arrays.

A place is rough if all passes together are over the limit. It is the same place in every pass, and no part's own values
decide, so the choice does not select on the outcome. Windows chosen by each pass for itself would: those added are
mild, so a true change of 10 % showed as 8 % with 87 % of the windows kept, and as under 6 % with 58 %.

A burst is a place that a single pass makes rough; that pass is named. The rule ignores the part. From log r.m.s. at
places (passes, places), subtract each place's median over passes, then each pass's median over places. If one pass then
exceeds every other by more than GAP times the robust spread of all, the place is set aside in all passes. Two passes of
one part that stand out together are therefore no burst.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

GAP = 4.0
"""In robust standard deviations: sets one Gaussian place aside in 2 sets of 100 with nothing wrong."""
RAISED = 0.05
"""A pass is named if its bursts raise its own value by more than this, as a logarithm."""
MOST_ASIDE = 1 / 3
"""If a larger share of the places would be set aside, they are no bursts, and all are kept."""
FEWEST_PASSES = 3


def is_rough(levels: NDArray[np.float64], limit: float) -> NDArray[np.bool_]:
    """Which places (m,) exceed the limit in the geometric mean of the passes' levels (n, m)."""
    return np.asarray(np.exp(np.log(levels).mean(axis=0)) > limit)


def bursts(rms: ArrayLike) -> tuple[NDArray[np.bool_], tuple[int, ...]]:
    """Which places (places,) to keep of r.m.s. (passes, places), positive, of both parts together.

    Also the passes whose logarithm the bursts raise by more than RAISED above the median pass, the most raised first.
    """
    levels = np.asarray(rms, float)
    above = np.log(levels)
    above = above - np.median(above, axis=0)
    above -= np.median(above, axis=1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(above))
    ordered = np.sort(above, axis=0)
    kept = np.ones(levels.shape[1], bool)
    if len(levels) >= FEWEST_PASSES:
        kept = ordered[-1] - ordered[-2] <= GAP * spread
    if (~kept).mean() > MOST_ASIDE:
        kept[:] = True
    added_logs = log_rms(levels) - log_rms(levels[:, kept])
    raised = added_logs - np.median(added_logs)
    order = np.argsort(-raised, kind="stable")
    return kept, tuple(int(number) for number in order if raised[number] > RAISED)


def log_rms(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the r.m.s. over places, (passes,), of levels (passes, places)."""
    return np.asarray(0.5 * np.log(np.square(levels).mean(axis=1)))
