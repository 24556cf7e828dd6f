"""Blocks: stretches of the day that hold both parts, so that what drifts from one to the next cancels in the ratio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from towertap.compare.drives.slots import Slot
from towertap.compare.stats.effect import Blocks, additive
from towertap.compare.stats.mixed import Mixed, mixed


@dataclass(frozen=True)
class Blocked:
    """What blocks add to a finding that is decided by them.

    `before` and `after` are the slots of its passes in the order of `before_values` and `after_values`, `ratios` the
    ratio of geometric means in each block in turn. `p_interaction` asks whether the change repeats from block to block
    (F-test of part × block against the passes' own spread; None where every part has one pass in a block). `mixed` is
    the model that counts installations as random, None with two blocks and where it could not be fitted.
    """

    before: tuple[Slot, ...]
    after: tuple[Slot, ...]
    ratios: tuple[float, ...]
    p_interaction: float | None
    mixed: Mixed | None

    @property
    def blocks(self) -> Blocks:
        """The block of each pass, before and after."""
        return [slot.block for slot in self.before], [slot.block for slot in self.after]


def blocked(
    before: ArrayLike, after: ArrayLike, slots: tuple[Sequence[Slot], Sequence[Slot]], margin: float
) -> Blocked:
    """Look at positive values (n,) a side block by block; every block of `slots` must hold both sides."""
    sides = np.log(np.asarray(before, float)), np.log(np.asarray(after, float))
    logs, part = np.concatenate(sides), np.repeat([0.0, 1.0], [side.size for side in sides])
    every = [*slots[0], *slots[1]]
    block, installation = np.array([slot.block for slot in every]), np.array([slot.installation for slot in every])
    differences = [
        logs[(block == number) & (part == 1)].mean() - logs[(block == number) & (part == 0)].mean()
        for number in np.unique(block)
    ]
    of_sides = block[part == 0], block[part == 1]
    plain = additive(*sides, (of_sides[0].tolist(), of_sides[1].tolist()))
    return Blocked(
        before=tuple(slots[0]),
        after=tuple(slots[1]),
        ratios=tuple(float(np.exp(difference)) for difference in differences),
        p_interaction=_interaction(logs, part, block, plain.spread**2 * plain.df, plain.df),
        mixed=mixed(logs, part, block, installation, plain, margin) if plain.error > 0 else None,
    )


def _interaction(
    logs: NDArray[np.float64], part: NDArray[np.float64], block: NDArray[np.int64], squares: float, df: float
) -> float | None:
    """The p of part × block, from the additive model's residual sum of squares and its degrees of freedom."""
    _, cell = np.unique(np.column_stack([block, part]), axis=0, return_inverse=True)
    means = np.bincount(cell, logs) / np.bincount(cell)
    within, within_df = float(((logs - means[cell]) ** 2).sum()), logs.size - means.size
    if not within_df or not within > 0:
        return None
    between_df = df - within_df
    return float(stats.f.sf((squares - within) / between_df / (within / within_df), between_df, within_df))
