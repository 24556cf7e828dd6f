"""What the bench's subcommands share: their options, and recording on the spot with a bar while it lasts."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from rich.progress import Progress as Bar

from towertap.bench.guided import record_at_bench
from towertap.box.port import Settings, open_box
from towertap.box.recorder import Progress
from towertap.cli._outcome import console, plain
from towertap.cli.record import RATES_HZ

PART_OF_DAY = 1e5
"""Longest recording that is taken for meant, in seconds."""


def recording_options(odr_hz: int) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The options of a subcommand that records when no capture is given."""
    options = (
        click.option("--port", help="The box's serial port; found by greeting every port when not given."),
        click.option("--seconds", type=click.FloatRange(1, PART_OF_DAY), help="Record for so long."),
        click.option(
            "--odr-hz", type=click.Choice([str(r) for r in RATES_HZ]), default=str(odr_hz), help="Samples a second."
        ),
        click.option(
            "--bench",
            "folder",
            type=click.Path(file_okay=False, path_type=Path),
            help="Folder of the records; 'bench' beside the capture (or here, when recording) if not given.",
        ),
    )

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def record_now(kind: str, guide: str, port: str | None, seconds: float, odr_hz: str, folder: Path | None) -> Path:
    """Say what to do, wait for Enter on a terminal, record, and give the capture's path."""
    with open_box(port) as box, Bar(console=console, transient=True, disable=not console.is_terminal) as bar:
        bar.console.print(f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}. {guide}")
        if sys.stdin.isatty():
            bar.stop()
            click.prompt("Press Enter to begin", default="", show_default=False, prompt_suffix="", err=True)
            bar.start()
        task = bar.add_task("recording", total=seconds)

        def show(progress: Progress) -> None:
            bar.update(task, completed=progress.live.seconds)

        return record_at_bench(
            box, folder or Path("bench"), kind, Settings(odr_hz=int(odr_hz)), seconds, on_progress=show
        )


def for_record(result: dict[str, Any]) -> dict[str, Any]:
    """A result as a record holds it: plain numbers, lists and texts."""
    made: dict[str, Any] = plain(result)
    return made
