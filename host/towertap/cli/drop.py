"""`towertap drop`: strike a pass out, with the reason; the files stay."""

from pathlib import Path

import click
from rich.text import Text

from towertap.amendments import strike_out, take_back
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.errors import CallError

AFTERWARDS = "Its values had been shown before: passes that are left out for their outcome make any result."


@click.command(
    help="Strike the pass of CAPTURE out: the files stay, and every command leaves it out and says why. A reason given "
    "after its values were shown is marked as such.",
    epilog='Example: towertap drop drives/bypass_rubber_pass01.h5 --reason "gave way to a tractor"',
)
@click.argument("capture", type=PATH)
@click.option("--reason", default="", help="Why, as written down before its values were seen.")
@click.option("--undo", is_flag=True, help="Take the striking out back; the history keeps it.")
@answers
def command(capture: Path, reason: str, undo: bool) -> Outcome:
    """Strike out, or take it back."""
    if undo:
        if reason:
            raise CallError("--undo takes no --reason: the one given before stays in the history")
        struck = take_back(capture)
        return Outcome({"capture": capture, "struck_out": None}, f"{capture}: counts again; it was {struck.words}")
    struck = strike_out(capture, reason)
    lines = [f"{capture}: {struck.words}", *([AFTERWARDS] if struck.after_values else [])]
    return Outcome({"capture": capture, "struck_out": struck.to_dict()}, Text("\n".join(lines)))
