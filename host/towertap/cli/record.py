"""`towertap record`: a drive from the box into a raw recording and a capture, with a screen for the passenger."""

from __future__ import annotations

import queue
import shlex
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.live import Live as Screen
from rich.table import Table
from rich.text import Text

from towertap.box.keyboard import Keyboard
from towertap.box.naming import recording_name
from towertap.box.port import open_box
from towertap.box.recorder import Recording, record
from towertap.capture.conditions import Conditions, sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.cli._asking import day_file, gather, next_planned
from towertap.cli._conditions import condition_options
from towertap.cli._outcome import Outcome, answers, console

HANGUP = getattr(signal, "SIGHUP", None)
"""The terminal was closed; Windows has no such signal."""

SAFETY = (
    "The driver drives and looks at the road; the passenger records. The box is bolted down, its cable clear of pedals "
    "and hands. The road's law and its other users come before any recording."
)


@click.command(
    name="record",
    help="Record a drive from the box: raw bytes first, then a capture. Whatever must be known before the drive and is "
    "not given is asked for on a terminal.",
    epilog="Example: towertap record --plan spring/plan.json --out drives",
)
@click.option("--port", help="The box's serial port; found by greeting every port when not given.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), default=".", help="Folder for the recording.")
@click.option("--seconds", type=click.FloatRange(0.1, 1e6), help="Stop after so many seconds of samples.")
@click.option(
    "--odr-hz",
    type=click.IntRange(1, 100_000),
    default=4000,
    show_default=True,
    help="Samples a second; an ICM-42688-P has 1000, 2000, 4000 and 8000.",
)
@click.option(
    "--conditions",
    "conditions_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="TOML file with the day's values, by the names of the options below (pass_number, speed_kmh, …).",
)
@click.option(
    "--plan",
    "plan_path",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A plan.json of 'towertap plan': its next drive that --out has no recording of, unless --part, --road and "
    "--pass name another one.",
)
@condition_options
@answers
def command(
    port: str | None,
    out: Path,
    seconds: float | None,
    odr_hz: int,
    conditions_file: Path | None,
    plan_path: Path | None,
    **given: Any,
) -> Outcome:
    """Ask, record, decode, check, and say what comes next."""
    day = day_file(conditions_file) if conditions_file else {}
    given = {name: value for name, value in given.items() if value is not None}
    with open_box(port) as box:
        console.print(
            f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}, {odr_hz} Hz. {SAFETY}"
        )
        if plan_path:
            day = next_planned(plan_path, day | given, out) | {k: v for k, v in day.items() if v not in (None, "")}
        conditions = gather(given, day, out)
        out.mkdir(parents=True, exist_ok=True)
        number, place = conditions.pass_number or 0, conditions.box_position
        name = recording_name(conditions.road, conditions.part, number, datetime.now(UTC), place)
        raw, marks = out / f"{name}.ttraw", queue.SimpleQueue[str]()
        with _ended_by_signals() as (stop, hangup):
            try:
                with Keyboard(marks) as keyboard, _screen(keyboard) as show:
                    recording = record(
                        box,
                        raw,
                        conditions,
                        odr_hz,
                        seconds=seconds,
                        on_progress=show,
                        marks=marks,
                        stop=stop,
                        hangup=hangup,
                    )
            except KeyboardInterrupt:
                decode = shlex.join(["towertap", "decode", str(raw)])
                line = f"interrupted; the raw recording {raw} is kept, and '{decode}' makes its capture"
                console.print(line, soft_wrap=True)
                raise
            capture_path = decode_raw(raw, raw.with_suffix(".h5"))
            with open_capture(capture_path) as capture:
                integrity = check(capture)
    return _outcome(recording, capture_path, integrity, conditions)


@contextmanager
def _ended_by_signals() -> Iterator[tuple[threading.Event, threading.Event]]:
    """Events that Ctrl-C or SIGTERM and a closed terminal set; a second Ctrl-C interrupts, once, and for good."""
    stop, hangup, interrupted = threading.Event(), threading.Event(), threading.Event()

    def ask(number: int, frame: object) -> None:
        if number == HANGUP:
            hangup.set()
        elif not stop.is_set():
            stop.set()
        elif not interrupted.is_set():
            interrupted.set()
            raise KeyboardInterrupt

    numbers = [number for number in (signal.SIGINT, signal.SIGTERM, HANGUP) if number is not None]
    before = {number: signal.signal(number, ask) for number in numbers}
    try:
        yield stop, hangup
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _screen(keyboard: Keyboard) -> Iterator[Callable[[Recording], None]]:
    """A function that tells events as they come, and on a terminal keeps the running figures below them."""
    screen = Screen(console=console, auto_refresh=False, transient=True) if console.is_terminal else None
    shown = 0

    def show(recording: Recording) -> None:
        nonlocal shown
        for event in recording.events[shown:]:
            console.print(f"{datetime.fromtimestamp(event.unix_s):%H:%M:%S} {event.text}")
        shown = len(recording.events)
        if screen:
            screen.update(_running(recording, keyboard), refresh=True)

    if screen:
        screen.start()
    try:
        yield show
    finally:
        if screen:
            with suppress(OSError):  # the terminal may be gone
                screen.stop()


def _running(recording: Recording, keyboard: Keyboard) -> Table:
    live = recording.live
    minutes, seconds = divmod(live.seconds, 60)
    table = Table.grid(padding=(0, 2))
    table.add_row("time", f"{minutes:.0f} min {seconds:04.1f} s")
    table.add_row("rate", "–" if live.rate_hz is None else f"{live.rate_hz:.1f} Hz")
    table.add_row("missing", f"{live.missing_samples} of {live.samples + live.missing_samples} samples")
    table.add_row(
        "peak |a|", "  ".join(f"{axis} {peak:.1f}" for axis, peak in zip("xyz", live.peak_ms2, strict=True)) + " m/s²"
    )
    table.add_row("space", f"{recording.raw_bytes / 1e6:.1f} MB written, room for {recording.space_s / 60:.0f} min")
    table.add_row("marks", f"{live.messages['mark']}")
    if keyboard.typing is not None:
        table.add_row("text", Text(f"{keyboard.typing}▏"))
    else:
        table.add_row(
            "keys",
            "any key marks, Enter adds a text to the last mark, Ctrl-C stops" if keyboard.active else "Ctrl-C stops",
        )
    return table


def _outcome(recording: Recording, capture_path: Path, integrity: Integrity, conditions: Conditions) -> Outcome:
    live, marks = recording.live, recording.live.messages["mark"]
    data = {
        "raw": recording.raw_path,
        "capture": capture_path,
        "conditions": sidecar_path(recording.raw_path),
        "ended": recording.ended,
        "ending": recording.ending,
        "seconds": live.seconds,
        "samples": live.samples,
        "missing_samples": live.missing_samples,
        "marks": marks,
        "raw_bytes": recording.raw_bytes,
        "events": [asdict(event) for event in recording.events],
        "rate_hz": integrity.rate_hz,
        "sound": integrity.sound,
        "reasons": integrity.reasons,
    }
    lines = [
        f"{recording.ended}: {live.seconds:.1f} s, {live.samples} samples, {live.missing_samples} missing, "
        f"{marks} {'mark' if marks == 1 else 'marks'}",
        *(event.text for event in recording.events),
        f"raw recording {recording.raw_path}",
        f"capture       {capture_path}",
    ]
    if integrity.sound:
        lines += ["sound", "Next: drive the next pass; when both parts are driven, 'towertap compare' the folder."]
    else:
        again = ["--part", conditions.part, "--road", conditions.road, "--pass", str(conditions.pass_number)]
        check_again = shlex.join(["towertap", "check", str(capture_path)])
        lines += [
            f"not sound: {'; '.join(integrity.reasons)}",
            f"Next: '{check_again}' lists every rule; drive this pass again: {shlex.join(again)}",
        ]
    return Outcome(data, "\n".join(lines), 0 if integrity.sound else 1)
