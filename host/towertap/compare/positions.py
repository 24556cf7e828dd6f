"""Box positions: which of the captures of a pass a comparison uses, where two boxes were recorded at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

from towertap.capture.conditions import Conditions
from towertap.compare.model import Excluded, Side, name_of
from towertap.errors import CallError

Key = tuple[str, str, str, int | None]
"""Vehicle, part, road and number of a pass."""


def pass_key(one: Conditions) -> Key:
    """What captures of one pass share, wherever their boxes were."""
    return one.vehicle, one.part, one.road, one.pass_number


def at_position(
    known: Mapping[Path, Conditions], chosen: Mapping[Path, Side], position: str | None, excluded: list[Excluded]
) -> dict[Path, Side]:
    """Those of the `chosen` captures that were made at one box position.

    Captures of a pass that has none there join `excluded`; the others' passes are there by another box. Raises
    CallError where a pass was recorded at two positions and none is named, and where none was recorded at the one.
    """
    places: dict[Key, set[str]] = defaultdict(set)
    for path in chosen:
        places[pass_key(known[path])].add(known[path].box_position)
    told = ", ".join(f"'{name}'" for name in sorted(set().union(*places.values())))
    if position is None:
        twice = next((key for key, names in places.items() if len(names) > 1), None)
        if twice:
            raise CallError(
                f"pass {twice[3]} over {twice[2]} with {twice[1]} was recorded at more than one box position: say "
                f"which the comparison uses with --position, one of {told}"
            )
        return dict(chosen)
    if not any(position in names for names in places.values()):
        raise CallError(f"no capture of these parts was made at the box position '{position}': use one of {told}")
    excluded += [
        Excluded(name_of(path), f"its pass was not recorded at '{position}'")
        for path in chosen
        if position not in places[pass_key(known[path])]
    ]
    return {path: side for path, side in chosen.items() if known[path].box_position == position}
