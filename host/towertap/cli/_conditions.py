"""The conditions of a drive as command-line options, and how their values are read and checked."""

import re
from typing import Any

import click
import numpy as np

from towertap.capture.conditions import Conditions
from towertap.capture.mounting import parse_mounting
from towertap.doors.units import pressures_kpa, speed_kmh, temperature_c

QUESTIONS = {
    "vehicle": "Vehicle",
    "part": "Part fitted, by the name to use in compare",
    "road": "Road",
    "pass_number": "Number of this pass over the road with this part",
    "speed_kmh": "Target speed, like 40 km/h or 25 mph",
    "tyre_pressures_kpa": "Tyre pressures: one, or front left, right, rear left, right, like 2.5, 2.5, 3, 3 bar",
    "air_temperature_c": "Air temperature in °C, or with its unit like 54 °F",
    "box_position": "Where the box sits",
    "mounting": "Chip axis along each vehicle axis (x forward, y left, z up), like x=+X,y=+Y,z=+Z",
    "notes": "Notes",
}
"""Field of Conditions → the question for it, which is also the help of its option."""

LEANING = np.ones(3)
"""A gravity that fits every mounting: only the mounting's syntax is checked here."""

READ = {"speed_kmh": speed_kmh, "tyre_pressures_kpa": pressures_kpa, "air_temperature_c": temperature_c}
"""Conditions given with a unit → what reads them."""
UNITS = re.compile("_(kmh|kpa|c)$")


def condition_options(command: Any) -> Any:
    """Give a command one option for each field of Conditions; None if not given."""
    for name, question in reversed(QUESTIONS.items()):
        kind = int if name == "pass_number" else str
        command = click.option(condition_flag(name), name, type=kind, help=f"{question}.")(command)
    return command


def checked(name: str, value: Any) -> Any:
    """Return a condition's value as Conditions holds it; CallError or AnalysisError if it breaks a rule."""
    if name == "mounting":
        parse_mounting(value, lambda: LEANING)
    if name in READ and isinstance(value, str):
        value = READ[name](value)
    return getattr(Conditions.from_dict({name: value}), name)


def condition_flag(name: str) -> str:
    """The option of a field of Conditions, without the field's unit: that is typed with the value."""
    return "--pass" if name == "pass_number" else f"--{UNITS.sub('', name).replace('_', '-')}"
