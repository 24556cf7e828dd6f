"""The place of each pass of a road in the plan, and why a road cannot be compared by block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a plan is asked for before there are passes
    from towertap.compare.drives.model import Pass

Key = tuple[str, str, int | None]
"""Part, road, number of a pass."""


@dataclass(frozen=True)
class Slot:
    """A pass's place in the plan: its block, and the installation of its part, counted from 1."""

    block: int
    installation: int


def key_of(drive: Pass) -> Key:
    """How the plan identifies a pass."""
    return drive.conditions.part, drive.road, drive.conditions.pass_number


def slots_of(passes: Sequence[Pass], planned: Mapping[Key, Slot]) -> tuple[dict[str, Slot], str | None]:
    """The slot of every planned pass over one road by its capture's name, and why blocks do not hold (None: they do).

    Passes that were not planned have no slot.
    """
    slots: dict[str, Slot] = {}
    taken: dict[Key, str] = {}
    for drive in passes:
        key = key_of(drive)
        if key in taken:
            return {}, f"{taken[key]} and {drive.name} are the same planned pass"
        if key in planned:
            taken[key] = drive.name
            slots[drive.name] = planned[key]
    return slots, _broken([drive for drive in passes if drive.name in slots], slots)


def _broken(passes: Sequence[Pass], slots: Mapping[str, Slot]) -> str | None:
    """What is wrong with the blocks as driven, if anything."""
    blocks = sorted({slot.block for slot in slots.values()})
    if len(blocks) < 2:
        return "its passes are all of one block"
    within = {block: [drive for drive in passes if slots[drive.name].block == block] for block in blocks}
    for block, drives in within.items():
        if len({drive.side for drive in drives}) < 2:
            return f"block {block} has passes with {drives[0].conditions.part} only"
    for block, following in pairwise(blocks):
        ends = [drive.started for drive in within[block] if drive.started]
        begins = [drive.started for drive in within[following] if drive.started]
        if ends and begins and max(ends) > min(begins):
            return f"blocks {block} and {following} were not driven one after the other"
    return None
