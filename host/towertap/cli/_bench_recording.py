"""What the bench commands share: options, recording, and keeping the record."""

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
"""Rates of the ICM-42688-P whose noise the bench knows."""

LONGEST_S = 1e5
"""A longer recording is taken for a typing error."""


def recording_options(odr_hz: int, seconds: float) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The options of a command that records if no capture is given, with these defaults."""
    rates, lengths = click.Choice([str(rate_hz) for rate_hz in RATES_HZ]), click.FloatRange(1, LONGEST_S)
    length = click.option("--seconds", type=lengths, default=seconds, show_default=True, help="Length to record, s.")
    rate = click.option("--odr-hz", type=rates, default=str(odr_hz), show_default=True, help="Samples per second.")
    return lambda command: port_option(length(rate(bench_option(command))))


@contextmanager
def guided(port: str | None, guide: str) -> Iterator[SerialBox]:
    """Give a connected box, after printing the guide and, on a terminal, waiting for Enter."""
    with open_box(port) as box:
        console.print(f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}. {guide}")
        if sys.stdin.isatty():
            click.prompt("Press Enter to begin", default="", show_default=False, prompt_suffix="", err=True)
        yield box


def record_now(
    box: SerialBox, kind: str, seconds: float, odr_hz: str, bench: Path | None, look: Look = lambda raw, stop: ""
) -> Path:
    """Record from a connected box into the bench folder; return the capture's path."""
    recorder = Recorder(box, bench or Path("bench"), int(odr_hz), seconds)
    return recorder.capture(Conditions(notes=f"bench: {kind}"), kind, look)[1]


class Result(Protocol):
    """Result of a measurement at the bench."""

    def data(self) -> dict[str, Any]:
        """The result as a bench record holds it."""


R = TypeVar("R", bound=Result)


def measured(kind: str, measure: Callable[[Capture], R], path: Path, bench: Path | None) -> tuple[R, dict[str, Any]]:
    """Measure a capture and write the bench record; return the result and the JSON answer (`record`: its path)."""
    with open_capture(path) as opened:
        records.refuse_import(opened)
        result = measure(opened)
        record = records.record_of(kind, opened, plain(result.data()))
    written = records.write(record, records.bench_folder(path, bench))
    return result, {"capture": path, "record": written, "subject": record.subject, **result.data()}


def measured_now(
    kind: str, measure: Callable[[Capture], R], guide: str, path: Path | None, port: str | None, **recording: Any
) -> tuple[R, dict[str, Any]]:
    """Same as `measured`, after recording the capture if there is none."""
    if not path:
        with guided(port, guide) as box:
            path = record_now(box, kind, **recording)
    return measured(kind, measure, path, recording["bench"])
