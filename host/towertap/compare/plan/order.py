"""The order of drives: blocks of both parts whose order cancels drift, and the roads mixed by a seeded draw."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence

from towertap.compare.plan.plan import PlannedDrive
from towertap.errors import CallError

PROTECTION = {
    1: "one change of the part: no protection; whatever drifts between the halves (warmth, weather, tyres, the fitting "
    "itself) is in the ratio",
    2: "A B B A: a steady drift cancels; one fitting of the part in the middle is still shared by its passes",
}
"""What an order protects from, by its number of blocks."""

RANDOMISED = "randomised blocks: drift of any kind is spread over both sides, and fittings show how far they repeat"


def protection(blocks: int) -> str:
    """What the order with so many blocks protects from, in words."""
    return PROTECTION.get(blocks, RANDOMISED)


def shared_alike(passes: int, blocks: int) -> int:
    """Passes a side, rounded up so that so many blocks can share them alike, two or more."""
    return max(-(-passes // blocks) * blocks, 2)


def drive_order(
    before: str, after: str, roads: Sequence[str], passes: int, blocks: int, seed: int
) -> tuple[PlannedDrive, ...]:
    """All drives in order: `passes` over every road with each part, shared alike by the blocks.

    Every block holds both parts. The first begins with `before`, which is fitted already; with two the order is
    A B B A; with more, as many blocks begin with one part as with the other (or one more), in a drawn order. Within a
    fitting every round goes over all roads once, in a drawn order. Raises CallError when the passes cannot be shared.
    """
    if blocks < 1 or passes < 2 or passes % blocks:
        raise CallError(
            f"{passes} passes cannot be shared alike by {blocks} blocks: take a multiple of {blocks}, two or more"
        )
    draw = random.Random(seed)
    turned = [True] * (blocks // 2) + [False] * ((blocks - 1) // 2)
    draw.shuffle(turned)
    driven: Counter[tuple[str, str]] = Counter()
    drives = []
    for block, turn in enumerate([False, *turned], start=1):
        for part in (after, before) if turn else (before, after):
            for _ in range(passes // blocks):
                for road in draw.sample(list(roads), len(roads)):
                    driven[part, road] += 1
                    drives.append(PlannedDrive(block, part, road, driven[part, road]))
    return tuple(drives)
