"""What the bench's subcommands share: options, recording on the spot with a bar while it lasts, keeping the record."""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol, TypeVar

import click
from rich.progress import Progress as Bar

from towertap.bench import records
from towertap.box.naming import bench_name
from towertap.box.port import SerialBox, open_box
from towertap.box.recorder import Recording, record
from towertap.capture.conditions import Conditions
from towertap.capture.decode import decode_raw
from towertap.capture.reading import Capture, open_capture
from towertap.cli._outcome import console, plain
from towertap.cli._reading import bench_option, port_option
from towertap.errors import AnalysisError

RATES_HZ = (1000, 2000, 4000, 8000)
"""Those of the ICM-42688-P, of which the bench knows what to expect."""

LONGEST_S = 1e5
"""Longest recording that is taken for meant."""


def recording_options(odr_hz: int) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The options of a subcommand that records when no capture is given."""
    rates = click.Choice([str(rate_hz) for rate_hz in RATES_HZ])
    seconds_option = click.option("--seconds", type=click.FloatRange(1, LONGEST_S), help="Record for so long.")
    rate_option = click.option("--odr-hz", type=rates, default=str(odr_hz), show_default=True, help="Samples a second.")
    return lambda command: port_option(seconds_option(rate_option(bench_option(command))))


@contextmanager
def guided(port: str | None, guide: str) -> Iterator[SerialBox]:
    """A greeted box, after saying what to do with it and, on a terminal, waiting for Enter."""
    with open_box(port) as box:
        console.print(f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}. {guide}")
        if sys.stdin.isatty():
            click.prompt("Press Enter to begin", default="", show_default=False, prompt_suffix="", err=True)
        yield box


def record_now(
    box: SerialBox,
    kind: str,
    seconds: float,
    odr_hz: str,
    folder: Path | None,
    *,
    look: Callable[[Path], tuple[str, str]] = lambda raw_path: ("recording", ""),
    stop: threading.Event | None = None,
) -> Path:
    """Record from a greeted box with a bar, and give the capture's path; AnalysisError when nothing came.

    `look` is called now and then with the path of the raw recording, and gives what goes on, and a line to keep.
    """
    folder = folder or Path("bench")
    folder.mkdir(parents=True, exist_ok=True)
    raw_path = folder / f"{bench_name(str(box.identity['serial']), kind, datetime.now(UTC))}.ttraw"
    with Bar(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("recording", total=seconds)

        def show(progress: Recording) -> None:
            now, line = look(raw_path)
            bar.update(task, description=now, completed=progress.live.seconds)
            if line:
                bar.console.print(line)

        conditions = Conditions(notes=f"bench: {kind}")
        recording = record(box, raw_path, conditions, int(odr_hz), seconds=seconds, on_progress=show, stop=stop)
    if not recording.live.samples:
        raise AnalysisError(f"{raw_path}: no samples came ({recording.ended}); check cable and box")
    return decode_raw(raw_path, raw_path.with_suffix(".h5"))


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
