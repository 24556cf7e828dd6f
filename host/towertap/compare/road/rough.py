"""Which places findings rest on: those that all passes together find rough, less bursts of one pass; on arrays.

A place is rough where all passes together are over the limit, the same in every pass and by no part's own values, so
that choosing does not select on the outcome. Windows that each pass picks for itself would: newly kept ones are mild,
so a true change of 10 % showed as 8 % where 87 % of the windows were kept, and as under 6 % where 58 % were.

A burst is a place that one pass alone makes rough, and that pass is named. The rule does not look at the part. From log
r.m.s. at places (passes, places) the median over passes is taken off every place and the median over places off every
pass. Where one pass stands above every other by more than GAP times the robust spread of all, the place is set aside in
all passes alike: two passes of one part that stand high together make no burst.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

GAP = 4.0
"""In robust standard deviations: of Gaussian places it sets one aside in 2 sets of 100 where nothing happened."""
RAISED = 0.05
"""A pass is named where its bursts raise its own value by more than this, as a logarithm."""
MOST_ASIDE = 1 / 3
"""With more places set aside than these it is no burst, and all are kept."""
FEWEST_PASSES = 3


def is_rough(levels: NDArray[np.float64], limit: float) -> NDArray[np.bool_]:
    """Which places (m,) are over the limit by the geometric mean of the passes' levels (n, m) there."""
    if not levels.size:
        return np.zeros(0, bool)
    rough: NDArray[np.bool_] = np.exp(np.log(levels).mean(axis=0)) > limit
    return rough


def bursts(rms: ArrayLike) -> tuple[NDArray[np.bool_], tuple[int, ...]]:
    """Which places (places,) to keep of r.m.s. (passes, places), positive, of both parts together.

    And the passes whose logarithm the others raise by more than RAISED over that of the median pass, the most first.
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
    added = log_rms(levels) - log_rms(levels[:, kept])
    raised = added - np.median(added)
    order = np.argsort(-raised, kind="stable")
    return kept, tuple(int(number) for number in order if raised[number] > RAISED)


def log_rms(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the r.m.s. over places, (passes,), of levels (passes, places)."""
    return np.asarray(0.5 * np.log(np.square(levels).mean(axis=1)))
