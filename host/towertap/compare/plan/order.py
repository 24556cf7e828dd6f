"""The order of drives: the stretches of a design, the roads mixed by a seeded draw, and what the order leaves open."""

import random
from collections import Counter
from collections.abc import Sequence

from towertap.compare.plan.plan import MOST_DRIVES, PlannedDrive
from towertap.compare.stats.design import overlap
from towertap.compare.stats.planning import PlannedDesign
from towertap.errors import CallError


def drive_order(
    before: str, after: str, roads: Sequence[str], passes: int, planned: PlannedDesign, seed: int
) -> tuple[PlannedDrive, ...]:
    """All drives in order: `passes` over every road with each part, shared alike by the stretches of the design.

    Within a stretch every round goes over all roads once, in a drawn order. Raises CallError when the passes cannot be
    shared, or are more drives than a plan holds.
    """
    each = planned.per_stretch(passes)
    if (count := 2 * passes * len(roads)) > MOST_DRIVES:
        raise CallError(
            f"{passes} passes with each part on {len(roads)} roads are {count} drives, and a plan has {MOST_DRIVES} at "
            "most: plan fewer passes or roads"
        )
    draw = random.Random(seed)
    driven: Counter[tuple[str, str]] = Counter()
    drives = []
    for stretch in planned.stretches:
        part = after if stretch.after else before
        for _ in range(each):
            for road in draw.sample(list(roads), len(roads)):
                driven[part, road] += 1
                drives.append(PlannedDrive(stretch.block, part, road, driven[part, road]))
    return tuple(drives)


def drift(planned: PlannedDesign) -> str:
    """What the order does to a drift, in words."""
    design = planned.design(1)
    lean = overlap(design, order=list(range(design.after.size))).order_lean or 0.0
    if abs(lean) < 1e-9:
        return "a steady drift cancels"
    return "drift between blocks cancels" if planned.paired else "whatever drifts is in the ratio"


def left_open(planned: PlannedDesign) -> str:
    """Whose a change can be as well as the part's, in words."""
    over = overlap(planned.design(2))
    if over.about == "part or day":
        return "the day's"
    return {1: "its one installation's", 2: "its two installations'"}.get(min(over.installations), "chance's")
