"""Do knocks come back at one place of the road, and how often would they by chance? Pure functions on arrays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import SIDES, Side

SHIFTS = 200
"""Draws behind what comes back by chance."""
AGAIN_S = 0.15
"""A knock comes back where another pass has one so near, in time of the reference pass: some two metres of road."""


def come_again(where: Sequence[NDArray[np.float64]], sides: Sequence[Side]) -> float | None:
    """Share of knocks, by place in each pass (n,), with one within AGAIN_S in most passes of each side.

    A knock's own pass is one that has it. None without a knock, or with one pass on a side, which shows no coming back.
    """
    if min(sides.count("before"), sides.count("after")) < 2:
        return None
    shares = []
    for places in where:
        near = np.array([_distance(places, others) < AGAIN_S for others in where])
        of_sides = [near[[of_pass == side for of_pass in sides]] for side in SIDES]
        shares.append(np.all([passes.mean(axis=0) > 0.5 for passes in of_sides], axis=0))
    together = np.concatenate(shares)
    return float(together.mean()) if together.size else None


def _distance(places: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """From each place (n,) to the nearest of the others (m,), infinite where there is none."""
    walled = np.concatenate([[-np.inf], np.sort(others), [np.inf]])
    above = np.searchsorted(walled, places)
    return np.minimum(places - walled[above - 1], walled[above] - places)


def by_chance(
    where: Sequence[NDArray[np.float64]], sides: Sequence[Side], edges_s: NDArray[np.float64]
) -> float | None:
    """What `come_again` exceeds 1 time in 20 when each pass is shifted along the road, end to start, at random.

    `edges_s` (m, 2) are the road's places; shifting keeps how many knocks a pass has and how close they follow.
    """
    start, span = edges_s[0, 0], edges_s[-1, 1] - edges_s[0, 0]
    draw = np.random.default_rng(1)
    shares = [
        come_again([start + (places - start + draw.uniform(0, span)) % span for places in where], sides)
        for _ in range(SHIFTS)
    ]
    known = [share for share in shares if share is not None]
    return float(np.quantile(known, 0.95)) if known else None
