"""Plans of controls: what is driven, and what these drives must show: that nothing changed, or a known change."""

from dataclasses import dataclass
from typing import Literal

from towertap.compare.stats.planning import Aim

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


CONTROLS: dict[ControlKind, PlannedControl] = {
    "refit": PlannedControl(
        "refit control",
        "AB",
        "Does {before} ride alike when it is taken out and fitted anew?",
        "{before}-refitted",
        lambda able: able.drives.equivalent,
        (True, False),
    ),
    "day": PlannedControl(
        "no-change day",
        "A;B",
        "Does {before} ride alike on another day?",
        "{before}-another-day",
        lambda able: able.drives.equivalent,
        (False, True),
    ),
    "positive": PlannedControl(
        "positive control",
        "AB|BA",
        "Does it show when the tyre pressures go up by 50 kPa?",
        "{before}-tyres-up",
        lambda able: able.drives.told[0],
        (False, False),
    ),
}
