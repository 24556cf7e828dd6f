"""A caution: what weakens a finding, how much that could matter to the verdict, and what would settle it."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum


class Weight(IntEnum):
    """What a caution could do to the verdict."""

    LIMITS = 1
    """It narrows what the verdict covers, or how well it is known."""
    WEAKENS = 2
    """It makes the verdict less certain."""
    OVERTURNS = 3
    """It, and not the part, could be the cause: a choice made after seeing the values, for example."""


@dataclass(frozen=True)
class Caution:
    """A sentence or two, their weight, and what to do about it, if anything can be done."""

    words: str
    weight: Weight = Weight.LIMITS
    remedy: str = ""


def ranked(cautions: Iterable[Caution]) -> tuple[Caution, ...]:
    """The gravest first, equals in the given order, each sentence once."""
    unique: dict[str, Caution] = {}
    for caution in cautions:
        unique.setdefault(caution.words, caution)
    return tuple(sorted(unique.values(), key=lambda caution: -caution.weight))
