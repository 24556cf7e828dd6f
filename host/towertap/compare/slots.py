"""Where each pass of a road stands in the plan, and why a road cannot be compared by block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from towertap.compare.blocks import Key, Slot
from towertap.compare.model import Pass


def slots_of(passes: Sequence[Pass], planned: Mapping[Key, Slot]) -> tuple[dict[str, Slot], str | None]:
    """The slot of every pass over one road by its capture's name, and None; or the reason why blocks do not hold."""
    found: dict[str, Slot] = {}
    taken: dict[Key, str] = {}
    for one in passes:
        key = (one.conditions.part, one.road, one.conditions.pass_number)
        if key not in planned:
            number = (
                "has no pass number" if key[2] is None else f"is pass {key[2]} with {key[0]}, which was not planned"
            )
            return {}, f"{one.name} {number}"
        if key in taken:
            return {}, f"{taken[key]} and {one.name} are the same planned pass"
        taken[key] = one.name
        found[one.name] = planned[key]
    return found, _broken(passes, found)


def _broken(passes: Sequence[Pass], slots: Mapping[str, Slot]) -> str | None:
    """What is wrong with the blocks as they were driven, if anything."""
    blocks = sorted({slot.block for slot in slots.values()})
    if len(blocks) < 2:
        return "its passes are all of one block"
    within = {block: [one for one in passes if slots[one.name].block == block] for block in blocks}
    for block, held in within.items():
        if len({one.side for one in held}) < 2:
            return f"block {block} has passes with {held[0].conditions.part} only"
    for block, following in pairwise(blocks):
        ends = [one.started for one in within[block] if one.started]
        begins = [one.started for one in within[following] if one.started]
        if ends and begins and max(ends) > min(begins):
            return f"blocks {block} and {following} were not driven one after the other"
    return None
