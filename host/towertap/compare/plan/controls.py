"""Plans of controls: what is driven, and what it must be able to show."""

from dataclasses import dataclass
from typing import Literal

from towertap.compare.stats.planning import Aim, Reach

ControlKind = Literal["refit", "day", "positive"]


@dataclass(frozen=True)
class PlannedControl:
    """A kind of control: its name, its design, and what is wanted of it.

    `called` names the part after, from the part before; `differ` says whether the two sides are of other installations,
    and of other days.
    """

    name: str
    design: str
    question: str
    called: str
    aim: Aim
    differ: tuple[bool, bool]


def _held(able: Reach) -> float:
    """Both no-change controls are judged by equivalence, on these drives."""
    return able.drives.equivalent


def _shown(able: Reach) -> float:
    """A positive control must show, on these drives."""
    return able.drives.told[0]


CONTROLS: dict[ControlKind, PlannedControl] = {
    "refit": PlannedControl(
        "refit control",
        "AB",
        "Does {before} ride alike when it is taken out and fitted anew?",
        "{before}-refitted",
        _held,
        (True, False),
    ),
    "day": PlannedControl(
        "no-change day", "A;B", "Does {before} ride alike on another day?", "{before}-another-day", _held, (False, True)
    ),
    "positive": PlannedControl(
        "positive control",
        "AB|BA",
        "Does it show when the tyre pressures go up by 50 kPa?",
        "{before}-tyres-up",
        _shown,
        (False, False),
    ),
}
