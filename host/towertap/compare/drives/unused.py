"""Captures of a folder that a comparison does not use, each with why, and names that are nearly the same."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from difflib import SequenceMatcher
from itertools import combinations
from pathlib import Path

from towertap.capture.conditions import Conditions
from towertap.compare.drives.model import Excluded, name_of


def unused(
    known: Mapping[Path, Conditions], used: Collection[Path], parts: tuple[str, str], position: str | None
) -> Iterator[Excluded]:
    """The captures that are not `used`, of those whose conditions are known, and why; `parts` are those compared."""
    for path, label in known.items():
        if path in used:
            continue
        if label.part not in parts:
            spelt = next((f", which is nearly '{part}'" for part in parts if nearly_alike(label.part, part)), "")
            why = f"made with '{label.part}'{spelt}; compared are '{parts[0]}' and '{parts[1]}'"
            yield Excluded(name_of(path), why if label.part else "no part is written down in it")
        elif not label.road:
            yield Excluded(name_of(path), "no road is written down in it")
        else:
            yield Excluded(name_of(path), f"made at the box position '{label.box_position}', not at '{position}'")


def spelt_twice(labels: Iterable[Conditions], parts: tuple[str, str]) -> Iterator[str]:
    """A warning for each two names of a part compared, or of a road, that may be one."""
    known = list(labels)
    pairs = [
        *(("parts", part, other) for part in parts for other in sorted({label.part for label in known} - {*parts, ""})),
        *(("roads", *two) for two in combinations(sorted({label.road for label in known if label.part in parts}), 2)),
    ]
    for kind, name, other in pairs:
        if nearly_alike(name, other):
            yield f"the {kind} '{name}' and '{other}' are nearly one name: if they are one, write it in one way"


def nearly_alike(name: str, other: str) -> bool:
    """Whether two names differ by case, hyphens and blanks, or by one letter; other digits are another name."""
    plain, plain_other = ("".join(sign for sign in text.casefold() if sign.isalnum()) for text in (name, other))
    if not plain or not plain_other or name == other or _digits(plain) != _digits(plain_other):
        return False
    longest = max(len(plain), len(plain_other))
    alike = SequenceMatcher(None, plain, plain_other, autojunk=False).ratio()
    return plain == plain_other or (longest > 3 and alike >= 1 - 1.01 / longest)


def _digits(text: str) -> str:
    return "".join(sign for sign in text if sign.isdigit())
