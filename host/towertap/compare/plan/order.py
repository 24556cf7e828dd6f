"""The order of drives: blocks of both parts whose order cancels drift, and the roads mixed by a seeded draw."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from towertap.compare.plan.plan import MOST_DRIVES, Plan, PlannedDrive
from towertap.compare.stats.power import MOST_PASSES
from towertap.errors import AnalysisError, CallError

PROTECTION = {
    1: "one change of the part: no protection; whatever drifts between the halves (warmth, weather, tyres, the "
    "installation itself) is in the ratio",
    2: "A B B A: a steady drift cancels; one installation of the part in the middle is still shared by its passes",
}
"""What an order protects from, by its number of blocks."""

RANDOMISED = (
    "randomised blocks: drift of any kind is spread over both sides, and installations show how far they repeat"
)


def protection(blocks: int) -> str:
    """What the order with so many blocks protects from, in words."""
    return PROTECTION.get(blocks, RANDOMISED)


def shared_alike(passes: int, blocks: int) -> int:
    """Passes a side, rounded up so that so many blocks can share them alike, two or more."""
    return max(-(-passes // blocks) * blocks, 2)


def drawn_anew(plan: Plan, passes: int, blocks: int) -> Plan:
    """The plan with so many passes a side, rounded up, in so many blocks, drawn from its own seed."""
    roads, passes = [road.name for road in plan.roads], shared_alike(passes, blocks)
    return replace(plan, blocks=blocks, drives=drive_order(plan.before, plan.after, roads, passes, blocks, plan.seed))


def with_passes_enough(plan: Plan) -> Plan:
    """The plan with as many passes as the power wanted takes; AnalysisError where those are beyond MOST_PASSES."""
    needed = plan.strength().needed
    if needed is None:
        raise AnalysisError(
            f"even {MOST_PASSES} passes a side would not do for this margin with passes that differ by "
            f"{100 * plan.spread_cv:.1f} %: make them more alike, or say --passes"
        )
    return drawn_anew(plan, needed, plan.blocks)


def orders_beside(plan: Plan) -> list[Plan]:
    """The plan in 1, 2, 3 and its own number of blocks, as far as their drives are not too many for a plan."""
    most = MOST_DRIVES // (2 * len(plan.roads))
    numbers = [blocks for blocks in sorted({1, 2, 3, plan.blocks}) if shared_alike(plan.passes, blocks) <= most]
    return [drawn_anew(plan, plan.passes, blocks) for blocks in numbers]


def drive_order(
    before: str, after: str, roads: Sequence[str], passes: int, blocks: int, seed: int
) -> tuple[PlannedDrive, ...]:
    """All drives in order: `passes` over every road with each part, shared alike by the blocks.

    Every block holds both parts. The first begins with `before`, which is installed already; with two the order is
    A B B A; with more, as many blocks begin with one part as with the other (or one more), in a drawn order. Within an
    installation every round goes over all roads once, in a drawn order. Raises CallError when the passes cannot be
    shared, or are more drives than a plan holds.
    """
    if blocks < 1 or passes < 2 or passes % blocks:
        raise CallError(
            f"{passes} passes cannot be shared alike by {blocks} blocks: take a multiple of {blocks}, two or more"
        )
    if (count := 2 * passes * len(roads)) > MOST_DRIVES:
        raise CallError(
            f"{passes} passes with each part on {len(roads)} roads are {count} drives, and a plan has {MOST_DRIVES} at "
            "most: plan fewer passes or roads"
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
