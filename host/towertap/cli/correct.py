"""`towertap correct`: other conditions for recordings, in the name, the sidecar and the capture alike."""

from pathlib import Path
from typing import Any

import click

from towertap.amendments import correct
from towertap.capture.conditions import NUMBERS
from towertap.cli._conditions import checked, condition_options
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.errors import CallError


@click.command(
    help="Correct the conditions of CAPTURES: name, sidecar and capture say the same again, the history keeps what was "
    "said before, the raw recording stays as it is. An empty text takes a condition back.",
    epilog="Example: towertap correct drives/*_pass0[1-4]_*.h5 --part rubber-bush",
)
@click.argument("captures", nargs=-1, required=True, type=PATH)
@condition_options
@answers
def command(captures: tuple[Path, ...], **given: Any) -> Outcome:
    """Correct all, or none where one cannot be, and say what each is called now."""
    said = {name: value for name, value in given.items() if value is not None}
    if not said:
        raise CallError("nothing to correct: name a condition and its true value, such as --part NAME")
    nothing = {name: None if name in NUMBERS else "" for name in said}
    changes = {name: nothing[name] if value == "" else checked(name, value) for name, value in said.items()}
    corrected = correct(captures, changes)
    unchanged = [path for path in captures if path not in corrected]
    data = {
        "corrected": [{"was": was, "capture": now} for was, now in corrected.items()],
        "unchanged": unchanged,
        "changes": changes,
    }
    lines = [f"{was}: corrected" + (f", now {now.name}" if now != was else "") for was, now in corrected.items()]
    return Outcome(data, "\n".join([*lines, *(f"{path}: says so already" for path in unchanged)]))
