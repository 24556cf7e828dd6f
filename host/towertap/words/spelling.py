"""Names that are probably meant to be one: a letter, upper and lower case, a hyphen or a space apart."""

from __future__ import annotations

from collections.abc import Iterable


def near_spellings(name: str, others: Iterable[str]) -> list[str]:
    """Those of `others` that `name` was probably meant to be; a digit tells names apart on purpose."""
    return [other for other in dict.fromkeys(others) if other != name and _near(_bare(name), _bare(other))]


def _bare(name: str) -> str:
    return "".join(sign for sign in name.casefold() if sign.isalnum())


def _near(one: str, other: str) -> bool:
    """Whether two bare names are alike but for one letter: another, a missing one, or two neighbours swapped."""
    if one == other:
        return True
    if abs(len(one) - len(other)) > 1 or min(len(one), len(other)) < 3:
        return False
    start = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    left, right = one[start:], other[start:]
    if any(sign.isdigit() for sign in left[:1] + right[:1]):
        return False
    swapped = left[:2] == right[1::-1] and left[2:] == right[2:]
    return swapped or left[1:] == right[1:] or left[1:] == right or left == right[1:]
