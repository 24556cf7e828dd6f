"""Recording from the terminal, on a drive or at the bench: keys and a screen while it runs, then the capture."""

import queue
import shlex
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from rich.live import Live as Screen
from rich.table import Table
from rich.text import Text

from towertap.bench.records import bench_folder
from towertap.box.keyboard import KEYS, Keyboard, Request
from towertap.box.naming import bench_name, recording_name
from towertap.box.port import SerialBox
from towertap.box.recorder import Recording, record
from towertap.capture.conditions import Conditions, sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.cli._outcome import console
from towertap.errors import FileError

HANGUP = getattr(signal, "SIGHUP", None)
"""Sent when the terminal is closed; Windows has no such signal."""

SHORT_S = 10.0
"""A shorter drive is repeated while the car is there: the filters take 3.3 s to settle, which leaves little road. A
comparison uses it if one window is left."""

Look = Callable[[Path, Request], str]
"""Called repeatedly with the path of the raw recording and the request that stops it; returns text for the screen."""


@dataclass(frozen=True)
class RecordedDrive:
    """A finished recording and its check."""

    recording: Recording
    capture_path: Path
    integrity: Integrity
    conditions: Conditions
    problem: str
    """Why the pass should be driven again; empty if it is good."""

    @property
    def reason(self) -> str:
        """The reason for striking it out: the problem, without the advice after it."""
        return self.problem.partition(";")[0]

    def data(self) -> dict[str, Any]:
        """The JSON answer of `record`."""
        recording, live = self.recording, self.recording.live
        return {
            "raw": recording.raw_path,
            "capture": self.capture_path,
            "conditions": sidecar_path(recording.raw_path),
            "ended": recording.ended,
            "ending": recording.ending,
            "seconds": live.seconds,
            "samples": live.samples,
            "missing_samples": live.missing_samples,
            "marks": live.messages["mark"],
            "raw_bytes": recording.raw_bytes,
            "events": recording.events,
            "rate_hz": self.integrity.rate_hz,
            "sound": self.integrity.sound,
            "reasons": self.integrity.reasons,
            "problem": self.problem,
        }


@dataclass(frozen=True)
class Recorder:
    """What all drives of a session share: box, output folder, sample rate and length."""

    box: SerialBox
    out: Path
    odr_hz: int
    seconds: float | None

    @property
    def bench(self) -> Path:
        """The folder of the drives' bench records."""
        return bench_folder(self.out / "capture.h5")

    def ring(self) -> None:
        """Sound the terminal's bell, if there is one."""
        if console.is_terminal:
            console.bell()

    def capture(
        self, conditions: Conditions, kind: str = "", look: Look = lambda raw, stop: ""
    ) -> tuple[Recording, Path]:
        """Record until the box, a key or a signal ends it, then decode; a second Ctrl-C stops the decoding.

        `kind` names a recording that is not a pass.
        """
        self.out.mkdir(parents=True, exist_ok=True)
        raw, marks = self._free_path(conditions, kind), queue.SimpleQueue[str]()
        with _ended_by_signals() as (stop, hangup, interrupted):
            with Keyboard(marks, stop) as keyboard, _screen(keyboard, self.ring, self.seconds) as show:
                self.ring()
                recording = record(
                    self.box,
                    raw,
                    conditions,
                    self.odr_hz,
                    seconds=self.seconds,
                    on_progress=lambda recording: show(recording, look(raw, stop)),
                    marks=marks,
                    stop=stop,
                    hangup=hangup,
                )
                show(recording, "")
            self.ring()
            return recording, _capture_of(recording, conditions, interrupted)

    def drive(self, conditions: Conditions) -> RecordedDrive:
        """Record a pass and check it."""
        with _ended_by_signals():  # a signal during the check is ignored
            recording, path = self.capture(conditions)
            from towertap.compare.drives.reading import why_unusable  # statistics take long to load

            with open_capture(path) as capture:
                integrity = check(capture)
                problem = why_unusable(capture, integrity)
                if integrity.sound and integrity.seconds < SHORT_S:
                    problem = f"too short: {integrity.seconds:.1f} s, and a pass should be {SHORT_S:g} s"
                return RecordedDrive(recording, path, integrity, conditions, problem)

    def _free_path(self, conditions: Conditions, kind: str) -> Path:
        """Path of the raw recording; if a drive restarts within a second, its name has the next second."""
        serial, started = str(self.box.identity["serial"]), datetime.now(UTC)
        while True:
            pass_name = recording_name(conditions, started, conditions.box_position)
            name = bench_name(serial, kind, started) if kind else pass_name
            if not (raw := self.out / f"{name}.ttraw").exists():
                return raw
            started += timedelta(seconds=1)


def _capture_of(recording: Recording, conditions: Conditions, interrupted: Request) -> Path:
    """Make the capture; if that fails or is interrupted, say where the raw recording is and how to go on."""
    raw = recording.raw_path
    advice = f"the raw recording {raw} is kept, and '{shlex.join(['towertap', 'decode', str(raw)])}' makes its capture"

    def stop_if_interrupted(_done: int, _total: int) -> None:
        if interrupted.is_set():
            raise KeyboardInterrupt

    try:
        return decode_raw(raw, raw.with_suffix(".h5"), conditions, stop_if_interrupted)
    except KeyboardInterrupt:
        console.print(f"interrupted; {advice}", soft_wrap=True)
        raise
    except FileError as error:
        raise FileError(f"{error}; the recording ended ({recording.ended}), {advice}") from None


@contextmanager
def _ended_by_signals() -> Iterator[tuple[Request, Request, Request]]:
    """Requests set by the first Ctrl-C or SIGTERM, by a closed terminal, and by a second Ctrl-C.

    The recorder polls them where it is safe: an exception raised in a signal handler could be lost, or lose data.
    """
    stop, hangup, interrupted = Request(), Request(), Request()

    def handle(number: int, frame: object) -> None:
        request = hangup if number == HANGUP else interrupted if stop.is_set() else stop
        request.set()

    numbers = [number for number in (signal.SIGINT, signal.SIGTERM, HANGUP) if number is not None]
    before = {number: signal.signal(number, handle) for number in numbers}
    try:
        yield stop, hangup, interrupted
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _screen(
    keyboard: Keyboard, ring: Callable[[], None], seconds: float | None
) -> Iterator[Callable[[Recording, str], None]]:
    """Give a function that prints new events and rings, and on a terminal keeps the live values below them."""
    screen = Screen(console=console, auto_refresh=False, transient=True) if console.is_terminal else None
    shown = 0

    def show(recording: Recording, seen: str) -> None:
        nonlocal shown
        for event in recording.events[shown:]:
            console.print(f"{datetime.fromtimestamp(event.unix_s):%H:%M:%S} {event.text}")
            ring()
        shown = len(recording.events)
        if screen:
            screen.update(_running(recording, keyboard, seconds, seen), refresh=True)

    if screen:
        screen.start()
    try:
        yield show
    finally:
        if screen:
            with suppress(OSError):  # the terminal may be gone
                screen.stop()


def _running(recording: Recording, keyboard: Keyboard, seconds: float | None, seen: str) -> Table:
    live = recording.live
    minutes, left_s = divmod(live.seconds, 60)
    planned = f" of {seconds:g} s" if seconds else ""
    table = Table.grid(padding=(0, 2))
    table.add_row("time", f"{minutes:.0f} min {left_s:04.1f} s{planned}")
    if seen:
        table.add_row("box", seen)
    table.add_row("rate", "–" if live.rate_hz is None else f"{live.rate_hz:.1f} Hz")
    table.add_row("missing", f"{live.missing_samples} of {live.samples + live.missing_samples} samples")
    peaks = "  ".join(f"{axis} {peak:.1f}" for axis, peak in zip("xyz", live.peak_ms2, strict=True))
    table.add_row("peak |a|", f"{peaks} m/s²")
    table.add_row("space", f"{recording.raw_bytes / 1e6:.1f} MB written, room for {recording.space_s / 60:.0f} min")
    table.add_row("marks", f"{live.messages['mark']}")
    if keyboard.typing is not None:
        table.add_row("text", Text(f"{keyboard.typing}▏"))
    else:
        table.add_row("keys", KEYS if keyboard.active else "Ctrl-C stops")
    return table
