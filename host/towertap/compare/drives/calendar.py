"""Which installation of its part, and which day, each pass belongs to."""

from collections.abc import Hashable, Mapping, Sequence
from itertools import groupby

from towertap.compare.drives.model import Pass, Side
from towertap.compare.drives.slots import Key, Slot, key_of

STRAY = 0.5
"""Passes in a row with one part that are fewer than this times an even share of its passes make no turn."""

KNOWN = 2 / 3
"""The order is known where so many of the passes say when they began."""


def turns(passes: Sequence[Pass]) -> list[list[Pass]]:
    """The passes that say when they began, in driving order, cut where the part changes.

    A stray pass or two, dated into the other part's, make no turn and are left out.
    """
    dated = sorted((drive for drive in passes if drive.started), key=lambda drive: drive.started or 0)
    while True:
        in_turn = [list(run) for _, run in groupby(dated, key=lambda drive: drive.side)]
        fewest = min(in_turn, key=lambda run: len(run) / _even_share(run, in_turn), default=None)
        if fewest is None or len(fewest) >= STRAY * _even_share(fewest, in_turn):
            return in_turn
        dated = [drive for drive in dated if drive not in fewest]


def _even_share(run: Sequence[Pass], in_turn: Sequence[Sequence[Pass]]) -> float:
    """What each turn with the same part would have if all had as many passes."""
    of_side = [len(other) for other in in_turn if other[0].side == run[0].side]
    return sum(of_side) / len(of_side)


def first_half(passes: Sequence[Pass]) -> Side | None:
    """The side that was driven before the other, but for a stray pass; None where they took turns, or nobody knows."""
    in_turn = turns(passes)
    if len(in_turn) != 2 or sum(drive.started is not None for drive in passes) < KNOWN * len(passes):
        return None
    return in_turn[0][0].side


def installations(passes: Sequence[Pass], planned: Mapping[Key, Slot] | None) -> dict[str, Hashable | None]:
    """The installation of each pass by its capture's name; None where nobody knows.

    A part stays on until the other is driven, or until the plan has it fitted anew. A pass without a date is where the
    plan has it.
    """
    labels: dict[str, Hashable | None] = {drive.name: None for drive in passes}
    slots = {drive.name: (planned or {}).get(key_of(drive)) for drive in passes}
    of_plan: dict[int, Hashable] = {}
    installation = 0
    for turn in turns(passes):
        installation += 1
        last: Slot | None = None
        for drive in turn:
            slot = slots[drive.name]
            if slot is not None:
                installation += last is not None and slot.installation == last.installation + 1
                of_plan.setdefault(slot.installation, installation)
                last = slot
            labels[drive.name] = installation
    for drive in passes:
        slot = slots[drive.name]
        if drive.started is None and slot is not None:
            labels[drive.name] = of_plan.get(slot.installation, ("planned", slot.installation))
    return labels


def days(passes: Sequence[Pass]) -> dict[str, Hashable | None]:
    """The driver's day of each pass by its capture's name: the date by the zone stored with it; None where unknown."""
    return {drive.name: drive.started.date() if drive.started else None for drive in passes}
