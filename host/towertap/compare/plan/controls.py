"""Plans of controls: what is driven, and what the drives must show: that nothing changed, or a known change."""

from dataclasses import dataclass
from typing import Literal

from towertap.compare.stats.planning import Aim

ControlKind = Literal["refit", "day", "positive"]


@dataclass(frozen=True)
class PlannedControl:
    """A kind of control: its name, design and question, and the power that it aims at.

    `called` names the part after, given the part before. `differ` says whether the two sides differ in installation and
    in day.
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
        "Does {before} ride the same after it is taken out and fitted again?",
        "{before}-refitted",
        lambda able: able.drives.equivalent,
        (True, False),
    ),
    "day": PlannedControl(
        "no-change day",
        "A;B",
        "Does {before} ride the same on another day?",
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
