"""Collects the conditions of a drive: from options, and by asking for the rest."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from towertap.capture.conditions import NUMBERS, Conditions, read_sidecar
from towertap.cli._conditions import QUESTIONS, checked, condition_flag
from towertap.cli._outcome import console
from towertap.errors import CallError, FileError, TowertapError
from towertap.words.phrases import did_you_mean

if TYPE_CHECKING:
    from towertap.compare.plan.plan import Plan

NEEDED = ("vehicle", "part", "road", "pass_number", "mounting")
"""Without these a pass cannot be compared with another."""

OFFERED_IN = {"tyre_pressures_kpa": " kPa", "air_temperature_c": " °C"}
"""Units shown with an offered value."""

KEPT = ("vehicle", "tyre_pressures_kpa", "air_temperature_c", "box_position", "mounting")
"""Conditions of the last drive that are offered again."""

BEGIN = "Press Enter to begin recording, at speed and about 5 s before the start: the filters need that to settle"

Answer = TypeVar("Answer")


def gather(known: dict[str, Any], folder: Path) -> Conditions:
    """The conditions of a pass: what is known, and the answers to questions for the rest.

    Without a terminal nothing is asked, and CallError names what is missing.
    """
    known = given(known)
    unknown = [field.name for field in fields(Conditions) if field.name not in known]
    if unknown and sys.stdin.isatty():
        known = ask_for(unknown, known, folder)
    _remark_on_recorded(known, folder)
    if unknown and sys.stdin.isatty():
        click.prompt(BEGIN, default="", show_default=False, prompt_suffix=" ", err=True)
    missing = [condition_flag(name) for name in NEEDED if known.get(name) in (None, "")]
    if missing:
        raise missing_options(missing)
    return Conditions.from_dict(known)


def missing_options(flags: Iterable[str], why: str = "") -> CallError:
    """The error for options that are missing while there is no terminal to ask on."""
    return CallError(f"missing, and there is no terminal to ask on: {', '.join(flags)}; give them as options{why}")


def given(conditions: dict[str, Any]) -> dict[str, Any]:
    """The conditions that have a value, checked."""
    return {name: checked(name, value) for name, value in conditions.items() if value not in (None, "")}


def ask_for(names: Sequence[str], known: dict[str, Any], folder: Path) -> dict[str, Any]:
    """What is known and the answers for `names`; KEPT of the last drive in `folder` is offered."""
    newest = max(_sidecars(folder), key=lambda sidecar: str(sidecar.get("started_utc", "")), default=None)
    last = newest["conditions"].to_dict() if newest else {}
    for name in names:
        known = known | {name: _ask(name, known, folder, last)}
    return known


def ask(question: str, read: Callable[[str], Answer], default: str | None = None) -> Answer:
    """Ask on the terminal until `read` accepts the answer; its error message says what was wrong."""

    def answer_of(text: str) -> Answer:
        try:
            return read(text.strip())
        except (ValueError, TowertapError) as error:
            raise click.UsageError(str(error)) from None

    answer: Answer = click.prompt(question, default=default, show_default=False, value_proc=answer_of, err=True)
    return answer


def next_pass(folder: Path, road: str, part: str, position: str = "") -> int:
    """Number of the next pass over `road` with `part` by a box at `position`, given the recordings in `folder`."""
    drives = (drive for drive in _recorded(folder, position) if (drive.road, drive.part) == (road, part))
    return max((drive.pass_number or 0 for drive in drives), default=0) + 1


def next_planned(plan: Plan, chosen: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Conditions of the plan's first drive without a usable recording in `folder`, spelt as in the plan.

    `chosen` may narrow the choice by part, road and pass_number; a single drive left by that may be driven again.
    CallError if no drive is left.
    """
    # statistics take long to load, and few recordings need a plan
    from towertap.compare.inventory import inventory, lacking
    from towertap.compare.plan.controls import CONTROLS

    wanted = {name: chosen[name] for name in ("part", "road", "pass_number") if chosen.get(name) not in (None, "")}
    matching = [drive for drive in plan.drives if all(getattr(drive, name) == wanted[name] for name in wanted)]
    if not matching:
        named = ", ".join(f"{condition_flag(name)} {value}" for name, value in wanted.items())
        known = {"part": [plan.before, plan.after], "road": [road.name for road in plan.roads]}
        unknown = [(wanted[kind], names) for kind, names in known.items() if wanted.get(kind, names[0]) not in names]
        guess = did_you_mean(*unknown[0]) if unknown else ""
        raise CallError(f"no drive is planned with {named}; the run sheet lists those that are{guess}")
    left = lacking(plan, inventory(folder), chosen.get("box_position") or "") if folder.is_dir() else list(plan.drives)
    drives = [drive for drive in matching if drive in left]
    if not drives and len(matching) > 1:
        raise CallError(
            f"all {len(matching)} drives are recorded in {folder}; to repeat one, give its --part, --road and --pass"
        )
    drive = (drives or matching)[0]
    control = f"{CONTROLS[plan.control].name}, ".capitalize() if plan.control else ""
    number, speed = plan.drives.index(drive) + 1, plan.speed_kmh(drive.road)
    console.print(f"{control}Drive {number} of {len(plan.drives)}: {drive.words}, at {speed:g} km/h", soft_wrap=True)
    return {"part": drive.part, "road": drive.road, "pass_number": drive.pass_number, "speed_kmh": speed}


def _sidecars(folder: Path) -> Iterator[dict[str, Any]]:
    """The sidecar of every recording in `folder`; unreadable ones are skipped."""
    for raw in folder.glob("*.ttraw"):
        with suppress(FileError):
            yield read_sidecar(raw)


def _recorded(folder: Path, position: str) -> list[Conditions]:
    """The conditions of every recording in `folder` that is not struck out.

    If `position` is given, recordings at another position belong to a second box and are left out.
    """
    drives = [sidecar["conditions"] for sidecar in _sidecars(folder) if not sidecar.get("struck_out")]
    return [drive for drive in drives if drive.box_position == position or not (drive.box_position and position)]


def _remark_on_recorded(known: dict[str, Any], folder: Path) -> None:
    """Point out a pass that is recorded already, and a new name of a part or road that resembles a recorded one."""
    from towertap.compare.drives.folder import nearly_alike  # pandas takes long to load

    road, part, position = (str(known.get(name) or "") for name in ("road", "part", "box_position"))
    drives, number = _recorded(folder, position), known.get("pass_number")
    if any((drive.road, drive.part, drive.pass_number) == (road, part, number) for drive in drives):
        remark(
            f"pass {number} of {road} with {part} is recorded already, and a comparison would use both: strike out the "
            f"old one with 'towertap drop' (did you mean --pass {next_pass(folder, road, part, position)}?)"
        )
    for field, name in (("part", part), ("road", road)):
        names = {getattr(drive, field) for drive in drives} - {""}
        similar = sorted(other for other in names if nearly_alike(name, other))
        if similar and name not in names:
            remark(f"the {field} '{name}' is new, and nearly '{similar[0]}': if you meant that, spell it so")


def remark(words: str) -> None:
    """Print a remark that must not be overlooked."""
    console.print(words, soft_wrap=True, style="yellow")


def _ask(name: str, known: dict[str, Any], folder: Path, last: dict[str, Any]) -> Any:
    """Ask for one field until the answer is valid; an empty answer takes the offered value, or none if optional."""
    offered = last.get(name) if name in KEPT else None
    if name == "pass_number":
        position = known.get("box_position", "")
        offered = next_pass(folder, str(known.get("road")), str(known.get("part")), position)

    def read(text: str) -> Any:
        if not text and offered not in (None, ""):
            return offered
        if not text and name not in NEEDED:
            return None if name in NUMBERS else ""
        if name == "pass_number" and not text.isdecimal():
            raise CallError(f"'{text}' is not a whole number")
        return checked(name, int(text) if name == "pass_number" else text)

    enter = "none" if name == "notes" else "not known"
    if offered not in (None, ""):
        enter = (f"{offered:g}" if isinstance(offered, float) else str(offered)) + OFFERED_IN.get(name, "")
    optional = name not in NEEDED or offered not in (None, "")
    return ask(QUESTIONS[name] + (f" (Enter: {enter})" if optional else ""), read, "" if optional else None)
