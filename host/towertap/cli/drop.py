"""`towertap drop`: strike out a pass, with the reason; its files stay."""

from pathlib import Path

import click
from rich.text import Text

from towertap.amendments import strike_out, take_back
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.errors import CallError

AFTERWARDS = "Its values had been shown before; leaving out passes for their outcome can produce any result."


@click.command(
    help="Strike out the pass of CAPTURE. Its files stay; every command leaves the pass out and says why. A reason "
    "given after its values were shown is marked as such.",
    epilog='Example: towertap drop drives/bypass_rubber_pass01.h5 --reason "gave way to a tractor"',
)
@click.argument("capture", type=PATH)
@click.option("--reason", default="", help="The reason, as noted before its values were seen.")
@click.option("--undo", is_flag=True, help="Use the pass again; the history keeps the reason.")
@answers
def command(capture: Path, reason: str, undo: bool) -> Outcome:
    """Strike the pass out, or take it back."""
    if undo:
        if reason:
            raise CallError("--undo takes no --reason: the earlier one stays in the history")
        struck = take_back(capture)
        return Outcome({"capture": capture, "struck_out": None}, f"{capture}: used again; it was {struck.words}")
    struck = strike_out(capture, reason)
    lines = [f"{capture}: {struck.words}", *([AFTERWARDS] if struck.after_values else [])]
    return Outcome({"capture": capture, "struck_out": struck.to_dict()}, Text("\n".join(lines)))
