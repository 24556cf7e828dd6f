"""Gathers what must be known before a drive: from options, from a file with the day's values, and by asking."""

from __future__ import annotations

import sys
import tomllib
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import Any

import click
import numpy as np

from towertap.capture.conditions import RANGES, Conditions, read_sidecar
from towertap.cli.decode import CONDITION_OPTIONS, condition_flag
from towertap.errors import CallError, CaptureError, TowertapError
from towertap.signals.axes import parse_mounting

NEEDED = ("vehicle", "part", "road", "pass_number", "mounting")
"""Without these a pass cannot be compared with another."""

LEANING = np.ones(3)
"""A gravity that no chip axis is too steep for: here only the mounting's wording is held to the rules."""


def day_file(path: Path) -> dict[str, Any]:
    """Read a TOML file whose keys are fields of Conditions, so that nobody types the vehicle before each pass."""
    try:
        return Conditions.from_dict(tomllib.loads(path.read_text("utf-8"))).to_dict()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CallError(f"{path}: not a TOML file ({error})") from None
    except CallError as error:
        raise CallError(f"{path}: {error}") from None


def gather(given: dict[str, Any], day: dict[str, Any], folder: Path) -> Conditions:
    """Make the conditions of a pass: what is `given` goes before the `day`'s; the rest is asked if there is a terminal.

    CallError names what is missing when there is none.
    """
    known = {name: value for name, value in (day | given).items() if value not in (None, "")}
    for name, value in known.items():
        _held_to_rules(name, value)
    unknown = [field.name for field in fields(Conditions) if field.name not in known]
    if unknown and sys.stdin.isatty():
        for name in unknown:
            known[name] = _ask(name, known, folder)
        click.prompt("Press Enter to begin", default="", show_default=False, prompt_suffix="", err=True)
    missing = [condition_flag(name) for name in NEEDED if name not in known]
    if missing:
        raise CallError(f"not said, and there is no terminal to ask on: {', '.join(missing)}; give them as options")
    return Conditions.from_dict(known)


def next_pass(folder: Path, road: str, part: str) -> int:
    """Number of the next pass over `road` with `part`, after the recordings in `folder`."""
    numbers = [0]
    for raw in folder.glob("*.ttraw"):
        with suppress(CaptureError):
            held: Conditions = read_sidecar(raw)["conditions"]
            if (held.road, held.part) == (road, part):
                numbers.append(held.pass_number or 0)
    return max(numbers) + 1


def _ask(name: str, known: dict[str, Any], folder: Path) -> Any:
    """Ask for one field until the answer holds; an empty answer is none, where none is needed."""

    def read(text: str) -> Any:
        if not text.strip() and name not in NEEDED:
            return None if name in RANGES else ""
        try:
            value = float(text) if name in RANGES else text.strip()
            return _held_to_rules(name, value)
        except (ValueError, TowertapError) as error:
            raise click.UsageError(str(error)) from None

    default: Any = "" if name not in NEEDED else None
    if name == "pass_number":
        default = str(next_pass(folder, str(known.get("road")), str(known.get("part"))))
    label = CONDITION_OPTIONS[name].rstrip(".")
    return click.prompt(label, default=default, show_default=bool(default), value_proc=read, err=True)


def _held_to_rules(name: str, value: Any) -> Any:
    """Give the value back as Conditions holds it; CallError or AnalysisError when it breaks a rule."""
    if name == "mounting":
        parse_mounting(value, lambda: LEANING)
    return getattr(Conditions.from_dict({name: value}), name)
