"""Which installation of its part, and which day, each pass belongs to."""

from collections.abc import Hashable, Mapping, Sequence
from itertools import groupby
from statistics import fmean

from towertap.compare.drives.model import Pass, Side
from towertap.compare.drives.slots import Key, Slot, key_of

STRAY = 0.5
"""Consecutive passes with one part make no turn if fewer than this times an even share of that part's passes."""

KNOWN = 2 / 3
"""The order is known if at least this share of the passes has a start time."""


def turns(passes: Sequence[Pass]) -> list[list[Pass]]:
    """The passes with a start time, in driving order, cut where the part changes.

    A stray pass or two, dated among the other part's, make no turn and are left out.
    """
    dated = sorted((drive for drive in passes if drive.started), key=lambda drive: drive.started or 0)
    while True:
        runs = [list(run) for _, run in groupby(dated, key=lambda drive: drive.side)]
        fewest = min(runs, key=lambda run: len(run) / _even_share(run, runs), default=None)
        if fewest is None or len(fewest) >= STRAY * _even_share(fewest, runs):
            return runs
        dated = [drive for drive in dated if drive not in fewest]


def _even_share(run: Sequence[Pass], runs: Sequence[Sequence[Pass]]) -> float:
    """The mean number of passes of the runs with the same part."""
    return fmean(len(other) for other in runs if other[0].side == run[0].side)


def first_half(passes: Sequence[Pass]) -> Side | None:
    """The side driven before the other, except for a stray pass; None if they alternated, or the order is unknown."""
    in_order = turns(passes)
    if len(in_order) != 2 or sum(drive.started is not None for drive in passes) < KNOWN * len(passes):
        return None
    return in_order[0][0].side


def installations(passes: Sequence[Pass], planned: Mapping[Key, Slot] | None) -> dict[str, Hashable | None]:
    """The installation of each pass by its capture's name; None if unknown.

    A part stays fitted until the other is driven, or until the plan has it fitted again. A pass without a date is where
    the plan puts it.
    """
    labels: dict[str, Hashable | None] = {drive.name: None for drive in passes}
    slots = {drive.name: (planned or {}).get(key_of(drive)) for drive in passes}
    by_planned: dict[int, Hashable] = {}
    installation = 0
    for turn in turns(passes):
        installation += 1
        last: Slot | None = None
        for drive in turn:
            slot = slots[drive.name]
            if slot is not None:
                installation += last is not None and slot.installation == last.installation + 1
                by_planned.setdefault(slot.installation, installation)
                last = slot
            labels[drive.name] = installation
    for drive in passes:
        slot = slots[drive.name]
        if drive.started is None and slot is not None:
            labels[drive.name] = by_planned.get(slot.installation, ("planned", slot.installation))
    return labels


def days(passes: Sequence[Pass]) -> dict[str, Hashable | None]:
    """The driver's day of each pass by capture name: the date in the time zone stored with it; None if unknown."""
    return {drive.name: drive.started.date() if drive.started else None for drive in passes}
