"""Gathers what must be known before a drive: from options, and by asking for the rest."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from towertap.capture.conditions import NUMBERS, Conditions, read_sidecar
from towertap.cli._conditions import QUESTIONS, condition_flag, held_to_rules
from towertap.cli._outcome import console
from towertap.errors import CallError, FileError, TowertapError
from towertap.words.phrases import did_you_mean

if TYPE_CHECKING:
    from towertap.compare.plan.plan import Plan

NEEDED = ("vehicle", "part", "road", "pass_number", "mounting")
"""Without these a pass cannot be compared with another."""

OFFERED_IN = {"tyre_pressures_kpa": " kPa", "air_temperature_c": " °C"}
"""Units in which Conditions holds what people say in others."""

KEPT = ("vehicle", "tyre_pressures_kpa", "air_temperature_c", "box_position", "mounting")
"""What the last drive said is offered again."""

BEGIN = "Press Enter to begin recording: at speed, about 5 s before the start, since the filters have to settle"

Answer = TypeVar("Answer")


def gather(known: dict[str, Any], folder: Path) -> Conditions:
    """Make the conditions of a pass of what is known; the rest is asked if there is a terminal.

    CallError names what is missing when there is none.
    """
    known = said(known)
    unknown = [field.name for field in fields(Conditions) if field.name not in known]
    if unknown and sys.stdin.isatty():
        known = ask_for(unknown, known, folder)
    tell_if_there(known, folder)
    if unknown and sys.stdin.isatty():
        click.prompt(BEGIN, default="", show_default=False, prompt_suffix=" ", err=True)
    missing = [condition_flag(name) for name in NEEDED if known.get(name) in (None, "")]
    if missing:
        raise not_said(missing)
    return Conditions.from_dict(known)


def not_said(flags: Iterable[str], why: str = "") -> CallError:
    """The refusal of a call that leaves open what nobody can be asked."""
    return CallError(f"not said, and there is no terminal to ask on: {', '.join(flags)}; give them as options{why}")


def said(conditions: dict[str, Any]) -> dict[str, Any]:
    """What of some conditions says anything, held to the rules."""
    return {name: held_to_rules(name, value) for name, value in conditions.items() if value not in (None, "")}


def ask_for(names: Sequence[str], known: dict[str, Any], folder: Path) -> dict[str, Any]:
    """What is known and the answers for `names`; what the last drive in `folder` said of KEPT is offered."""
    newest = max(_sidecars(folder), key=lambda sidecar: str(sidecar.get("started_utc", "")), default=None)
    last = newest["conditions"].to_dict() if newest else {}
    for name in names:
        known = known | {name: _ask(name, known, folder, last)}
    return known


def ask(question: str, read: Callable[[str], Answer], default: str | None = None) -> Answer:
    """One answer on a terminal, asked again until `read` takes it; the line says what was wrong."""

    def answered(text: str) -> Answer:
        try:
            return read(text.strip())
        except (ValueError, TowertapError) as error:
            raise click.UsageError(str(error)) from None

    answer: Answer = click.prompt(question, default=default, show_default=False, value_proc=answered, err=True)
    return answer


def next_pass(folder: Path, road: str, part: str, position: str = "") -> int:
    """Number of the next pass over `road` with `part`, after the recordings in `folder`, by a box at `position`."""
    drives = (drive for drive in _recorded(folder, position) if (drive.road, drive.part) == (road, part))
    return max((drive.pass_number or 0 for drive in drives), default=0) + 1


def next_planned(plan: Plan, chosen: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The values of a plan's first drive that `folder` has no usable recording of, spelt as in the plan.

    The keys of `chosen` that tell drives apart (part, road, pass_number) narrow the choice; one drive that they leave
    is driven again if need be. CallError when there is no drive left.
    """
    # statistics take long to load, and few recordings need a plan
    from towertap.compare.inventory import inventory, lacking
    from towertap.compare.plan.controls import CONTROLS

    wanted = {name: chosen[name] for name in ("part", "road", "pass_number") if chosen.get(name) not in (None, "")}
    fitting = [drive for drive in plan.drives if all(getattr(drive, name) == wanted[name] for name in wanted)]
    if not fitting:
        named = ", ".join(f"{condition_flag(name)} {value}" for name, value in wanted.items())
        known = {"part": [plan.before, plan.after], "road": [road.name for road in plan.roads]}
        unknown = [(wanted[kind], names) for kind, names in known.items() if wanted.get(kind, names[0]) not in names]
        meant = did_you_mean(*unknown[0]) if unknown else ""
        raise CallError(f"no drive is planned with {named}: the run sheet lists them{meant}")
    left = lacking(plan, inventory(folder), chosen.get("box_position") or "") if folder.is_dir() else list(plan.drives)
    drives = [drive for drive in fitting if drive in left]
    if not drives and len(fitting) > 1:
        raise CallError(
            f"all {len(fitting)} drives are recorded in {folder}; to drive one again, say its --part, --road and --pass"
        )
    drive = (drives or fitting)[0]
    control = f"{CONTROLS[plan.control].name}, ".capitalize() if plan.control else ""
    number, speed = plan.drives.index(drive) + 1, plan.speed_kmh(drive.road)
    console.print(f"{control}Drive {number} of {len(plan.drives)}: {drive.words}, at {speed:g} km/h", soft_wrap=True)
    return {"part": drive.part, "road": drive.road, "pass_number": drive.pass_number, "speed_kmh": speed}


def _sidecars(folder: Path) -> Iterator[dict[str, Any]]:
    """What lies beside every recording in `folder`; what cannot be read is passed over."""
    for raw in folder.glob("*.ttraw"):
        with suppress(FileError):
            yield read_sidecar(raw)


def _recorded(folder: Path, position: str) -> list[Conditions]:
    """The conditions of every recording in `folder` that is not struck out.

    Where this box's `position` is said, recordings at another are a second box's, and not counted.
    """
    drives = [sidecar["conditions"] for sidecar in _sidecars(folder) if not sidecar.get("struck_out")]
    return [drive for drive in drives if drive.box_position == position or not (drive.box_position and position)]


def tell_if_there(known: dict[str, Any], folder: Path) -> None:
    """Say that a pass of this number is there, and which names there are that this part or road may be meant to be."""
    from towertap.compare.drives.folder import nearly_alike  # pandas takes long to load

    road, part, place = (str(known.get(name) or "") for name in ("road", "part", "box_position"))
    drives, number = _recorded(folder, place), known.get("pass_number")
    if any((drive.road, drive.part, drive.pass_number) == (road, part, number) for drive in drives):
        following = next_pass(folder, road, part, place)
        tell(
            f"pass {number} of {road} with {part} is there already, and a comparison would have both: strike the old "
            f"one out with 'towertap drop' (did you mean --pass {following}?)"
        )
    for field, name in (("part", part), ("road", road)):
        names = {getattr(drive, field) for drive in drives} - {""}
        near = sorted(other for other in names if nearly_alike(name, other))
        if near and name not in names:
            tell(f"the {field} '{name}' is new, and nearly '{near[0]}': if that was meant, spell it so")


def tell(words: str) -> None:
    """A remark that must not be overlooked."""
    console.print(words, soft_wrap=True, style="yellow")


def _ask(name: str, known: dict[str, Any], folder: Path, last: dict[str, Any]) -> Any:
    """Ask for one field until the answer holds; an empty answer is what is offered, or none, where none is needed."""
    offered = last.get(name) if name in KEPT else None
    if name == "pass_number":
        place = known.get("box_position", "")
        offered = next_pass(folder, str(known.get("road")), str(known.get("part")), place)

    def read(text: str) -> Any:
        if not text and offered not in (None, ""):
            return offered
        if not text and name not in NEEDED:
            return None if name in NUMBERS else ""
        if name == "pass_number" and not text.isdecimal():
            raise CallError(f"'{text}' is no whole number")
        return held_to_rules(name, int(text) if name == "pass_number" else text)

    enter = "none" if name == "notes" else "not known"
    if offered not in (None, ""):
        enter = (f"{offered:g}" if isinstance(offered, float) else str(offered)) + OFFERED_IN.get(name, "")
    optional = name not in NEEDED or offered not in (None, "")
    return ask(QUESTIONS[name] + (f" (Enter: {enter})" if optional else ""), read, "" if optional else None)
