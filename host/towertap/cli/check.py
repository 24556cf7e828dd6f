"""`towertap check`: is a capture sound, and if not, why not."""

from __future__ import annotations

from pathlib import Path

import click
from rich.markup import escape

from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.cli._outcome import Outcome, answers

MARKS = {True: "[green]ok[/green]  ", False: "[red]NOT[/red] ", None: "[dim]--[/dim]  "}


@click.command(name="check", help="Prove CAPTURE sound, or say why it is not (exit status 1).")
@click.argument("capture", type=click.Path(path_type=Path))
@answers
def command(capture: Path) -> Outcome:
    """Check and show one line a rule, then the verdict."""
    with open_capture(capture) as opened:
        integrity = check(opened)
    return Outcome({"capture": capture, **integrity.data()}, _text(integrity), 0 if integrity.sound else 1)


def _text(integrity: Integrity) -> str:
    lines = [f"{MARKS[rule.ok]}{escape(rule.text)}" for rule in integrity.rules]
    verdict = "[bold]sound[/bold]" if integrity.sound else "[bold]not sound[/bold]:"
    return "\n".join([*lines, verdict, *(f"  - {escape(reason)}" for reason in integrity.reasons)])
