"""The conditions of a drive as options of a command, and the rules that a value on the command line is held to."""

from __future__ import annotations

from typing import Any

import click
import numpy as np

from towertap.capture.conditions import NUMBERS, Conditions
from towertap.errors import CallError
from towertap.signals.axes import parse_mounting

CONDITION_OPTIONS = {
    "vehicle": "The vehicle.",
    "part": "The part fitted, by the name that compare will call it.",
    "road": "The road.",
    "pass_number": "Number of the pass, from 1.",
    "speed_kmh": "Speed aimed at, km/h.",
    "tyre_pressures_kpa": 'Front left, front right, rear left, rear right: "250, 250, 300, 300".',
    "air_temperature_c": "Air temperature, °C.",
    "box_position": "Where the box sits.",
    "mounting": 'Chip axis along each vehicle axis (x forward, y left, z up): "x=+X,y=+Y,z=+Z".',
    "notes": "Anything else.",
}
"""Field of Conditions → help of its option."""

LEANING = np.ones(3)
"""A gravity that no chip axis is too steep for: here only the mounting's wording is held to the rules."""

EXAMPLE_KPA, PRESSURES_KPA = "250, 250, 300, 300", (50.0, 1200.0)
"""Outside of these a tyre pressure is one in bar or psi, or a slip of the pen."""


def condition_options(command: Any) -> Any:
    """Give a command one option for each field of Conditions; each is None when it was not given."""
    for name, text in reversed(CONDITION_OPTIONS.items()):
        kind = NUMBERS.get(name, str)
        command = click.option(condition_flag(name), name, type=kind, default=None, help=text)(command)
    return command


def held_to_rules(name: str, value: Any) -> Any:
    """Give the value of a condition back as Conditions holds it; CallError or AnalysisError when it breaks a rule."""
    if name == "mounting":
        parse_mounting(value, lambda: LEANING)
    if name == "tyre_pressures_kpa" and not _four_pressures(value):
        low, high = PRESSURES_KPA
        raise CallError(
            f"conditions: tyre_pressures_kpa must be four numbers from {low:g} to {high:g}, like {EXAMPLE_KPA}, "
            f"not {value!r}"
        )
    return getattr(Conditions.from_dict({name: value}), name)


def _four_pressures(text: Any) -> bool:
    words = str(text).replace(",", " ").split()
    try:
        return len(words) == 4 and all(PRESSURES_KPA[0] <= float(word) <= PRESSURES_KPA[1] for word in words)
    except ValueError:
        return False


def condition_flag(name: str) -> str:
    """The option of a field of Conditions; the unit stays in its name."""
    return "--pass" if name == "pass_number" else f"--{name.replace('_', '-')}"
