"""`towertap correct`: correct the conditions of recordings in name, sidecar and capture."""

from pathlib import Path
from typing import Any

import click

from towertap.amendments import correct
from towertap.capture.conditions import NUMBERS
from towertap.cli._conditions import checked, condition_options
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.errors import CallError


@click.command(
    help="Correct the conditions of CAPTURES in file name, sidecar and capture. The history keeps the earlier "
    "conditions; the raw recording does not change. An empty text removes a condition.",
    epilog="Example: towertap correct drives/*_pass0[1-4]_*.h5 --part rubber-bush",
)
@click.argument("captures", nargs=-1, required=True, type=PATH)
@condition_options
@answers
def command(captures: tuple[Path, ...], **given: Any) -> Outcome:
    """Correct all captures, or none if one cannot be corrected, and print their new names."""
    given = {name: value for name, value in given.items() if value is not None}
    if not given:
        raise CallError("nothing to correct: give a condition and its true value, such as --part NAME")
    empty = {name: None if name in NUMBERS else "" for name in given}
    changes = {name: empty[name] if value == "" else checked(name, value) for name, value in given.items()}
    corrected = correct(captures, changes)
    unchanged = [path for path in captures if path not in corrected]
    data = {
        "corrected": [{"was": was, "capture": now} for was, now in corrected.items()],
        "unchanged": unchanged,
        "changes": changes,
    }
    lines = [f"{was}: corrected" + (f", now {now.name}" if now != was else "") for was, now in corrected.items()]
    return Outcome(data, "\n".join([*lines, *(f"{path}: unchanged" for path in unchanged)]))
