"""What the bench's subcommands share: options, recording on the spot, keeping the record."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol, TypeVar

import click

from towertap.bench import records
from towertap.box.port import SerialBox, open_box
from towertap.capture.conditions import Conditions
from towertap.capture.reading import Capture, open_capture
from towertap.cli._outcome import console, plain
from towertap.cli._reading import bench_option, port_option
from towertap.cli._recording import Look, Recorder

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
    look: Look = lambda raw, stop: "",
) -> Path:
    """Record from a greeted box into the bench folder, and give the capture's path."""
    recorder = Recorder(box, folder or Path("bench"), int(odr_hz), seconds)
    return recorder.capture(Conditions(notes=f"bench: {kind}"), kind, look)[1]


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
    return result, {"capture": path, "record": written, "subject": record.subject, **result.data()}
