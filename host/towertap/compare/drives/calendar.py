"""Which installation of its part, and which day, each pass belongs to."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence

from towertap.compare.drives.model import Pass
from towertap.compare.drives.slots import Key, Slot


def installations(passes: Sequence[Pass], planned: Mapping[Key, Slot] | None) -> dict[str, Hashable | None]:
    """The installation of each pass by its capture's name; None where nobody knows.

    By the plan where it has the pass. Else by the times: a part stays on until another is driven, so passes in a row
    with one part are of one installation; that takes the start of every pass.
    """
    labels: dict[str, Hashable | None] = {drive.name: None for drive in passes}
    if all(drive.started for drive in passes):
        installation, part = 0, None
        for drive in sorted(passes, key=lambda drive: drive.started or 0):
            installation += drive.side != part
            part = drive.side
            labels[drive.name] = ("in a row", installation)
    for drive in passes:
        slot = (planned or {}).get((drive.conditions.part, drive.road, drive.conditions.pass_number))
        if slot is not None:
            labels[drive.name] = ("planned", slot.installation)
    return labels


def days(passes: Sequence[Pass]) -> dict[str, Hashable | None]:
    """The driver's day of each pass by its capture's name: the date by the zone stored with it; None where unknown."""
    return {drive.name: drive.started.date() if drive.started else None for drive in passes}
