"""Box positions: which captures of a pass a comparison uses, if two boxes recorded at once."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path

from towertap.capture.conditions import Conditions
from towertap.compare.drives.model import Excluded, Side, name_of
from towertap.errors import CallError
from towertap.words.phrases import quoted

Key = tuple[str, str, str, int | None]
"""Vehicle, part, road and number of a pass."""


def pass_key(label: Conditions) -> Key:
    """What all captures of one pass share, wherever their boxes were."""
    return label.vehicle, label.part, label.road, label.pass_number


def refuse_two_positions(used: Iterable[Conditions]) -> None:
    """CallError if a pass was recorded at two box positions, by the conditions of the captures to use."""
    positions = _positions(used)
    twice = next((key for key, names in positions.items() if len(names) > 1), None)
    if twice:
        raise CallError(
            f"pass {twice[3]} over {twice[2]} with {twice[1]} was recorded at more than one box position. With two "
            f"boxes, choose the one to compare with --position, one of {_names(positions)}; with one, strike a capture "
            "out ('towertap drop')"
        )


def at_position(
    known: Mapping[Path, Conditions], chosen: Mapping[Path, Side], position: str, excluded: list[Excluded]
) -> dict[Path, Side]:
    """The `chosen` captures that were made at one box position.

    Captures of passes without one there join `excluded`; the other passes have one from another box. Raises CallError
    if nothing was recorded there.
    """
    positions = _positions(known[path] for path in chosen)
    if not any(position in names for names in positions.values()):
        names = _names(positions)
        raise CallError(f"no capture of these parts was made at the box position '{position}': use one of {names}")
    excluded += [
        Excluded(name_of(path), f"its pass was not recorded at '{position}'")
        for path in chosen
        if position not in positions[pass_key(known[path])]
    ]
    return {path: side for path, side in chosen.items() if known[path].box_position == position}


def inputs_at(
    known: Mapping[Path, Conditions], chosen: Mapping[Path, Side], position: str
) -> dict[Path, tuple[Path, ...]]:
    """The captures of each chosen capture's pass that were made at the input's `position`.

    Raises CallError if that is the position compared, or no capture was made there.
    """
    if position in {known[path].box_position for path in chosen}:
        raise CallError(f"'{position}' is the position being compared: name another with --input-position")
    by_pass: dict[Key, list[Path]] = defaultdict(list)
    for path, label in known.items():
        if label.box_position == position:
            by_pass[pass_key(label)].append(path)
    if not by_pass:
        names = quoted(label.box_position for label in known.values())
        raise CallError(f"no capture was made at the box position '{position}': positions are {names}")
    return {path: tuple(by_pass[pass_key(known[path])]) for path in chosen}


def _positions(labels: Iterable[Conditions]) -> dict[Key, set[str]]:
    """The box positions at which each pass was recorded."""
    positions: dict[Key, set[str]] = defaultdict(set)
    for label in labels:
        positions[pass_key(label)].add(label.box_position)
    return positions


def _names(positions: Mapping[Key, set[str]]) -> str:
    return ", ".join(f"'{name}'" for name in sorted(set().union(*positions.values())))
