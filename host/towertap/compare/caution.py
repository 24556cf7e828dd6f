"""A caution: what weakens a finding, with how much it could do to the verdict, and what would settle it."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum


class Weight(IntEnum):
    """What a caution could do to the verdict."""

    LIMITS = 1
    """It narrows what the verdict speaks of, or how well it is known."""
    WEAKENS = 2
    """It makes the verdict less sure."""
    OVERTURNS = 3
    """It could be the cause of what was seen, instead of the part, as a choice made after seeing the values could."""


@dataclass(frozen=True)
class Caution:
    """A sentence or two, how much they weigh, and what to do so that they no longer hold, where something can be."""

    words: str
    weight: Weight = Weight.LIMITS
    remedy: str = ""


def ranked(cautions: Iterable[Caution]) -> tuple[Caution, ...]:
    """The gravest first, those alike in the order given, each once."""
    once: dict[str, Caution] = {}
    for caution in cautions:
        once.setdefault(caution.words, caution)
    return tuple(sorted(once.values(), key=lambda caution: -caution.weight))
