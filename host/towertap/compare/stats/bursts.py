"""Which pass: places that one pass alone makes rough are set aside, and the pass on which a verdict hangs is named.

The rule does not look at the part. From log r.m.s. at places (passes, places) the median over passes is taken off
every place and the median over places off every pass. A burst is a place where one pass stands above every other by
more than GAP times the robust spread of all: two passes of one part that stand high together make none. The place is
set aside in all passes alike.
"""

from __future__ import annotations

from collections.abc import Callable
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
    """`kept` (places,) is False at places set aside, `logs` (passes,) the figures over the others, `all_logs` over all.

    `median_logs` (passes,) is the median over places of the logarithm less that of the place: what the typical place
    does, while the others are of the r.m.s., in which the roughest places weigh most.
    `raised` (passes,) is by how much more the places set aside raise a pass's logarithm than that of the median pass;
    `named` are the passes that they raise by more than RAISED, the most first.
    """

    kept: NDArray[np.bool_]
    logs: NDArray[np.float64]
    all_logs: NDArray[np.float64]
    median_logs: NDArray[np.float64]
    raised: NDArray[np.float64]
    named: tuple[int, ...]


def bursts(rms: ArrayLike) -> Bursts:
    """Find bursts in r.m.s. at places, (passes, places), positive, three passes or more of both parts together."""
    figures = np.asarray(rms, float)
    above = np.log(figures)
    above = above - np.median(above, axis=0)
    median_logs = np.median(above, axis=1)
    above -= np.median(above, axis=1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(above))
    ordered = np.sort(above, axis=0)
    kept = np.ones(figures.shape[1], bool)
    if len(figures) >= FEWEST_PASSES:
        kept = ordered[-1] - ordered[-2] <= GAP * spread
    if (~kept).mean() > MOST_ASIDE:
        kept[:] = True
    all_logs, logs = _log_rms(figures), _log_rms(figures[:, kept])
    raised = all_logs - logs - np.median(all_logs - logs)
    order = np.argsort(-raised, kind="stable")
    named = tuple(int(number) for number in order if raised[number] > RAISED)
    return Bursts(kept, logs, all_logs, median_logs, raised, named)


def _log_rms(figures: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(0.5 * np.log(np.square(figures).mean(axis=1)))


@dataclass(frozen=True, eq=False)
class LeaveOneOut:
    """`ratios` (passes,) without each pass, and `hangs_on` the passes without which the verdict is another."""

    ratios: NDArray[np.float64]
    hangs_on: tuple[int, ...]

    @property
    def range(self) -> tuple[float, float]:
        """Smallest and largest ratio that leaving a pass out gives."""
        return float(self.ratios.min()), float(self.ratios.max())


def leave_one_out(judge: Callable[[NDArray[np.int64]], tuple[float, str]], passes: int) -> LeaveOneOut:
    """Judge without each pass in turn: `judge` gets the numbers of the passes kept, and gives ratio and verdict.

    A pass that blocks cannot spare leaves `judge` to answer with "undecided", which is then another verdict.
    """
    every = np.arange(passes)
    _, verdict = judge(every)
    without = [judge(np.delete(every, number)) for number in every]
    hangs_on = tuple(number for number, (_, other) in enumerate(without) if other != verdict)
    return LeaveOneOut(np.array([ratio for ratio, _ in without]), hangs_on)
