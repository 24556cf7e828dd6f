"""Which pass: places that one pass alone makes rough are set aside, and that pass is named.

The rule does not look at the part. From log r.m.s. at places (passes, places) the median over passes is taken off
every place and the median over places off every pass. A burst is a place where one pass stands above every other by
more than GAP times the robust spread of all: two passes of one part that stand high together make none. The place is
set aside in all passes alike.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

GAP = 4.0
"""In robust standard deviations: of Gaussian places it sets one aside in 2 sets of 100 where nothing happened."""
RAISED = 0.05
"""A pass is named where its bursts raise its own figure by more than this, as a logarithm."""
MOST_ASIDE = 1 / 3
"""With more places set aside than these it is no burst, and all are kept."""
FEWEST_PASSES = 3


@dataclass(frozen=True, eq=False)
class Bursts:
    """`kept` (places,) is False at places set aside.

    `named` are the passes whose logarithm those raise by more than RAISED over that of the median pass, the most first.
    """

    kept: NDArray[np.bool_]
    named: tuple[int, ...]


def bursts(rms: ArrayLike) -> Bursts:
    """Find bursts in r.m.s. at places, (passes, places), positive, three passes or more of both parts together."""
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
    return Bursts(kept, tuple(int(number) for number in order if raised[number] > RAISED))


def log_rms(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the r.m.s. over places, (passes,), of levels (passes, places)."""
    return np.asarray(0.5 * np.log(np.square(levels).mean(axis=1)))
