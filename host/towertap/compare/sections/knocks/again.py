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
    own = np.repeat(np.arange(len(where)), [places.size for places in where])
    places = np.concatenate(where)
    if not places.size:
        return None
    apart = np.ptp(places) + 2 * AGAIN_S  # one pass is laid out behind the other, too far away to be near
    laid_out = np.sort(places + apart * own)
    looked_for = places[:, None] + apart * np.arange(len(where))
    near = np.searchsorted(laid_out, looked_for - AGAIN_S, "right") < np.searchsorted(laid_out, looked_for + AGAIN_S)
    of_sides = [near[:, [of_pass == side for of_pass in sides]].mean(axis=1) > 0.5 for side in SIDES]
    return float(np.all(of_sides, axis=0).mean())


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
