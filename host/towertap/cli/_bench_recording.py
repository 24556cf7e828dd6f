"""What the bench's subcommands share: options, recording on the spot with a bar while it lasts, keeping the record."""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any, Protocol, TypeVar

import click
from rich.progress import Progress as Bar

from towertap.bench import records
from towertap.bench.guided import record_at_bench
from towertap.box.port import SerialBox, open_box
from towertap.box.recorder import Recording
from towertap.capture.reading import Capture, open_capture
from towertap.cli._outcome import console, plain
from towertap.settings import default

RATES_HZ = (1000, 2000, 4000, 8000)
"""Those of the ICM-42688-P, of which the bench knows what to expect."""

LONGEST_S = 1e5
"""Longest recording that is taken for meant."""


def recording_options(odr_hz: int) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The options of a subcommand that records when no capture is given."""
    options = (
        click.option("--port", help="The box's serial port; found by greeting every port when not given."),
        click.option("--seconds", type=click.FloatRange(1, LONGEST_S), help="Record for so long."),
        click.option(
            "--odr-hz",
            type=click.Choice([str(r) for r in RATES_HZ]),
            default=str(odr_hz),
            show_default=True,
            help="Samples a second.",
        ),
        click.option(
            "--bench",
            "folder",
            type=click.Path(file_okay=False, path_type=Path),
            default=default("bench"),
            help="Folder of the records; as set, or 'bench' beside the capture (or here, when recording).",
        ),
    )

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


@contextmanager
def guided(port: str | None, guide: str) -> Iterator[SerialBox]:
    """A greeted box, after saying what to do with it and, on a terminal, waiting for Enter."""
    with open_box(port) as box:
        console.print(f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}. {guide}")
        if sys.stdin.isatty():
            click.prompt("Press Enter to begin", default="", show_default=False, prompt_suffix="", err=True)
        yield box


Watch = Callable[[Recording, Path], tuple[str, str]]
"""Says what goes on, from progress and raw file, and, now and then, a line to keep."""


def record_now(
    box: SerialBox,
    kind: str,
    seconds: float,
    odr_hz: str,
    folder: Path | None,
    *,
    watch: Watch = lambda progress, raw_path: ("recording", ""),
    stop: threading.Event | None = None,
) -> Path:
    """Record with a bar and give the capture's path."""
    with Bar(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("recording", total=seconds)

        def show(progress: Recording, raw_path: Path) -> None:
            now, line = watch(progress, raw_path)
            bar.update(task, description=now, completed=progress.live.seconds)
            if line:
                bar.console.print(line)

        return record_at_bench(box, folder or Path("bench"), kind, int(odr_hz), seconds, on_progress=show, stop=stop)


def captured(
    capture: Path | None, kind: str, guide: str, port: str | None, seconds: float, odr_hz: str, folder: Path | None
) -> Path:
    """The capture that was given, or one recorded now."""
    if capture:
        return capture
    with guided(port, guide) as box:
        return record_now(box, kind, seconds, odr_hz, folder)


class Result(Protocol):
    """What a measurement at the bench gives."""

    def data(self) -> dict[str, Any]:
        """For JSON: the result of a bench record."""


R = TypeVar("R", bound=Result)


def kept(kind: str, path: Path, folder: Path | None, measure: Callable[[Capture], R]) -> tuple[R, dict[str, Any]]:
    """What `measure` finds in a capture, written as a bench record; and the answer for machines, `record` its path."""
    with open_capture(path) as opened:
        result = measure(opened)
        record = records.record_of(kind, opened, plain(result.data()))
    written = records.write(record, records.bench_folder(path, folder))
    return result, {"capture": path, "record": written, "subject": asdict(record.subject), **result.data()}
