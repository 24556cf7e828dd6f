"""Gathers what must be known before a drive: from options, from a file with the day's values, and by asking."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import Any

import click

from towertap.capture.conditions import NUMBERS, Conditions, read_sidecar
from towertap.cli._conditions import condition_flag, held_to_rules
from towertap.cli._outcome import console
from towertap.doors.structured import read_toml
from towertap.errors import CallError, FileError, TowertapError

NEEDED = ("vehicle", "part", "road", "pass_number", "mounting")
"""Without these a pass cannot be compared with another."""

QUESTIONS = {
    "vehicle": "Vehicle",
    "part": "Part fitted, by the name that compare will call it",
    "road": "Road",
    "pass_number": "Number of this pass over the road with this part",
    "speed_kmh": "Speed aimed at, km/h",
    "tyre_pressures_kpa": "Tyre pressures, kPa – front left, front right, rear left, rear right, "
    "like 250, 250, 300, 300",
    "air_temperature_c": "Air temperature, °C",
    "box_position": "Where the box sits",
    "mounting": "Chip axis along each vehicle axis (x forward, y left, z up), like x=+X,y=+Y,z=+Z",
    "notes": "Notes",
}
"""Field of Conditions → how a person is asked for it."""

BEGIN = "Press Enter to begin recording: at speed, about 5 s before the start, since the filters have to settle"


def day_file(path: Path) -> dict[str, Any]:
    """Read a TOML file whose keys are fields of Conditions, so that nobody types the vehicle before each pass."""
    day = read_toml(path, dict[str, Any], "a TOML file with the day's values")
    try:
        return Conditions.from_dict(day).to_dict()
    except FileError as error:
        raise FileError(f"{path}: {error}") from None


def gather(given: dict[str, Any], day: dict[str, Any], folder: Path) -> Conditions:
    """Make the conditions of a pass: what is `given` goes before the `day`'s; the rest is asked if there is a terminal.

    CallError names what is missing when there is none.
    """
    known = {name: value for name, value in (day | given).items() if value not in (None, "")}
    for name, value in known.items():
        held_to_rules(name, value)
    unknown = [field.name for field in fields(Conditions) if field.name not in known]
    if unknown and sys.stdin.isatty():
        for name in unknown:
            known[name] = _ask(name, known, folder)
    _tell_if_there(known, folder)
    if unknown and sys.stdin.isatty():
        click.prompt(BEGIN, default="", show_default=False, prompt_suffix=" ", err=True)
    missing = [condition_flag(name) for name in NEEDED if name not in known]
    if missing:
        raise CallError(f"not said, and there is no terminal to ask on: {', '.join(missing)}; give them as options")
    return Conditions.from_dict(known)


def next_pass(folder: Path, road: str, part: str, position: str = "") -> int:
    """Number of the next pass over `road` with `part`, after the recordings in `folder`, by a box at `position`."""
    recorded = _recorded(folder, position)
    numbers = [drive.pass_number or 0 for drive in recorded if (drive.road, drive.part) == (road, part)]
    return max([0, *numbers]) + 1


def next_planned(plan_path: Path, chosen: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The values of the plan's first drive that `folder` has no recording of, spelt as in the plan.

    The keys of `chosen` that tell drives apart (part, road, pass_number) narrow the choice; one drive that they leave
    is driven again if need be. CallError when there is no drive left.
    """
    # Statistics take long to load, and few recordings need a plan.
    from towertap.compare.plan.controls import CONTROLS
    from towertap.compare.plan.plan import read_plan

    plan = read_plan(plan_path)
    wanted = {name: chosen[name] for name in ("part", "road", "pass_number") if chosen.get(name) not in (None, "")}
    fitting = [drive for drive in plan.drives if all(getattr(drive, name) == wanted[name] for name in wanted)]
    if not fitting:
        named = ", ".join(f"{condition_flag(name)} {value}" for name, value in wanted.items())
        raise CallError(f"{plan_path}: no drive is planned with {named}; the run sheet lists them")
    driven = {(drive.part, drive.road, drive.pass_number) for drive in _recorded(folder, chosen.get("box_position"))}
    left = [drive for drive in fitting if (drive.part, drive.road, drive.pass_number) not in driven]
    if not left and len(fitting) > 1:
        raise CallError(
            f"{plan_path}: all {len(fitting)} drives are recorded in {folder}; to drive one again, say its --part, "
            "--road and --pass"
        )
    drive = (left or fitting)[0]
    control = f"{CONTROLS[plan.control].name}, ".capitalize() if plan.control else ""
    console.print(
        f"{control}Drive {plan.drives.index(drive) + 1} of {len(plan.drives)}: pass {drive.pass_number} of "
        f"{drive.road} with {drive.part}, at {plan.speed_kmh(drive.road):g} km/h",
        soft_wrap=True,
    )
    return {
        "vehicle": plan.vehicle,
        "part": drive.part,
        "road": drive.road,
        "pass_number": drive.pass_number,
        "speed_kmh": plan.speed_kmh(drive.road),
        "box_position": plan.hold.box_position,
        "mounting": plan.hold.mounting,
    }


def _recorded(folder: Path, position: str | None) -> Iterator[Conditions]:
    """The conditions of every recording in `folder`; a sidecar that cannot be read is passed over.

    Where this box's `position` is said, recordings at another are a second box's, and not counted.
    """
    for raw in folder.glob("*.ttraw"):
        with suppress(FileError):
            drive = read_sidecar(raw)["conditions"]
            if drive.box_position == position or not (drive.box_position and position):
                yield drive


def _tell_if_there(known: dict[str, Any], folder: Path) -> None:
    """Say that a pass of this number is there: it may be driven again on purpose, or the number was forgotten."""
    road, part, number, place = (known.get(name) for name in ("road", "part", "pass_number", "box_position"))
    if any((drive.road, drive.part, drive.pass_number) == (road, part, number) for drive in _recorded(folder, place)):
        console.print(
            f"pass {number} of {road} with {part} is there already; this one is recorded beside it "
            f"(did you mean --pass {next_pass(folder, str(road), str(part), place or '')}?)",
            soft_wrap=True,
            style="yellow",
        )


def _ask(name: str, known: dict[str, Any], folder: Path) -> Any:
    """Ask for one field until the answer holds; an empty answer is none, where none is needed."""

    def read(text: str) -> Any:
        if not text.strip() and name not in NEEDED:
            return None if name in NUMBERS else ""
        try:
            value = NUMBERS[name](text) if name in NUMBERS else text.strip()
            return held_to_rules(name, value)
        except (ValueError, TowertapError) as error:
            raise click.UsageError(str(error)) from None

    question, default = QUESTIONS[name], "" if name not in NEEDED else None
    if name == "pass_number":
        place = known.get("box_position", "")
        default = str(next_pass(folder, str(known.get("road")), str(known.get("part")), place))
        question += f" (Enter: {default})"
    elif name not in NEEDED:
        question += " (Enter: none)" if name == "notes" else " (Enter: not known)"
    return click.prompt(question, default=default, show_default=False, value_proc=read, err=True)
