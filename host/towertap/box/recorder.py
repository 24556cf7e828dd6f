"""Records a drive: starts the box, stores every byte, follows the growing file to steer and display, ends cleanly."""

import math
import queue
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import BinaryIO

import msgspec

from towertap.box.host_clock import ClockLog
from towertap.box.host_watch import STOP_SPACE_S, HostWatch
from towertap.box.keyboard import Request
from towertap.box.live import Live
from towertap.box.port import SerialBox
from towertap.box.pump import Pump
from towertap.capture.conditions import Conditions, Ending, write_sidecar
from towertap.errors import BoxError, FileError
from towertap.wire.decoder import Decoder, Frames
from towertap.wire.frames import FrameType
from towertap.wire.messages import MESSAGES, hello_of, running_hello

BYTES_PER_SAMPLE = 18
"""The longest known packet plus its share of a frame's 40 bytes of overhead."""

POLL_S = 0.02
BLOCK_BYTES = 1 << 20
SHOW_INTERVAL_S = 0.25
CHECK_INTERVAL_S = 1.0
SIDECAR_INTERVAL_S = 10.0

SILENCE_S = 2.0
"""A running box sends a frame every few milliseconds; after this silence it is greeted, which shows if it was reset."""

RESTART_S = 2.0
"""How long after a start command a "not running" of the same boot is ignored."""

GIVE_UP_S = 10.0
"""A recording of given length ends if the box is away for that length plus this; one without waits for ever."""

BYE_TIMEOUT_S = 2.0


@dataclass(frozen=True)
class Event:
    """Something that happened while recording."""

    unix_s: float
    text: str


@dataclass(frozen=True)
class Recording:
    """State of a recording. `ending` and, in words, `ended` say how it ended; None and empty while it goes on."""

    raw_path: Path
    raw_bytes: int
    live: Live
    space_s: float
    """Seconds of recording that still fit on the disk."""
    events: tuple[Event, ...]
    ending: Ending | None
    ended: str


def record(
    box: SerialBox,
    raw_path: Path,
    conditions: Conditions,
    odr_hz: int = 4000,
    *,
    seconds: float | None = None,
    on_progress: Callable[[Recording], None] = lambda progress: None,
    marks: queue.SimpleQueue[str] | None = None,
    stop: Request | None = None,
    hangup: Request | None = None,
) -> Recording:
    """Record from a greeted box into the new file `raw_path` for `seconds`, or until `stop`, `hangup` or a full disk.

    The sidecar (`NAME.conditions.json`) is written at once, and updated with clock readings and events. Each text in
    `marks` marks the moment when it arrives. `stop` ends the recording on purpose; `hangup` (the terminal is gone) ends
    it just as cleanly, but as broken off. BoxError if the file exists or the box does not start. Whatever fails later,
    the bytes so far stay, and `ending`, `ended` and `events` say what happened.
    """
    recorder = _Recorder(box, raw_path, conditions, odr_hz, seconds)
    requests = {
        "stopped by the user": (Ending.STOPPED, stop or Request()),
        "the terminal was closed": (Ending.BROKEN_OFF, hangup or Request()),
    }
    recorder.run(on_progress, marks or queue.SimpleQueue(), requests)
    return recorder.state()


class Link(Enum):
    """State of the connection to the box; mostly changed by `_Recorder.turn`."""

    RUNNING = "samples arrive"
    SILENT = "the port is open but nothing arrives: the box is greeted"
    LOST = "the port is gone and reopening is retried"
    STOPPING = "the box was told to stop, and its bye is awaited"
    ENDED = "the recording has ended"


class _Recorder:
    """A recording in progress, in the caller's thread; the pump's two threads copy the bytes."""

    def __init__(
        self, box: SerialBox, raw_path: Path, conditions: Conditions, odr_hz: int, seconds: float | None
    ) -> None:
        """Start the box, then open the raw file; `box.read` buffers the bytes in between."""
        if raw_path.exists():
            raise BoxError(f"{raw_path}: already exists, and a recording never overwrites; choose another name")
        self.box, self.raw_path, self.conditions = box, raw_path, conditions
        self.odr_hz, self.seconds = odr_hz, seconds
        self.host = HostWatch(raw_path.parent, odr_hz * BYTES_PER_SAMPLE)
        if self.host.measure(0) < (seconds or 0.0) + STOP_SPACE_S:
            space = f"space for {self.host.space_s:.0f} s of recording and its capture"
            raise BoxError(f"{raw_path.parent}: the disk has {space}, too little; free some or give another --out")
        self.clock = ClockLog()
        self.clock.readings.append(box.read_clock())
        self.hello_content = box.start(odr_hz, seconds)
        try:
            self.hello = running_hello(self.hello_content)
            self.pump = Pump(box, raw_path)  # before anything slow: the box must not wait
        except BaseException:
            self.command(box.stop)
            raise
        self.boot_id = self.hello.boot_id
        self.started_unix_s = time.time()
        self.utc_offset_s = time.localtime(self.started_unix_s).tm_gmtoff
        self.live, self.decoder = Live(self.hello), Decoder()
        self.events: list[Event] = []
        self.ended, self.ending = "", Ending.BROKEN_OFF
        self.turn(Link.RUNNING)
        self.heard_bytes, self.heard_s = 0, self.turned_s
        self.started_boot, self.started_s = self.boot_id, self.turned_s
        self.write_sidecar()

    def turn(self, link: Link, news: str = "") -> None:
        """Change the state of the connection."""
        self.link, self.turned_s = link, time.monotonic()
        if news:
            self.note(news)

    def run(
        self,
        on_progress: Callable[[Recording], None],
        marks: queue.SimpleQueue[str],
        requests: dict[str, tuple[Ending, Request]],
    ) -> None:
        """Follow the file until the recording ends; whatever happens, everything read is written and synced."""
        looked_s = saved_s = shown_s = -math.inf
        with open(self.raw_path, "rb", buffering=0) as file:
            try:
                while self.link is not Link.ENDED:
                    time.sleep(POLL_S)
                    now_s = time.monotonic()
                    self.follow(file)
                    self.watch_link(now_s)
                    while not marks.empty():
                        self.mark(marks.get())
                    for why, (ending, request) in requests.items():
                        if request.is_set():
                            self.stop(why, ending)
                    if now_s >= looked_s + CHECK_INTERVAL_S:
                        looked_s = now_s
                        self.watch_host()
                    if now_s >= saved_s + SIDECAR_INTERVAL_S:
                        saved_s = now_s
                        self.write_sidecar()
                    if now_s >= shown_s + SHOW_INTERVAL_S:
                        shown_s = now_s
                        with suppress(OSError):  # losing the screen must not end the recording
                            on_progress(self.state())
            finally:
                self.finish(file)

    def follow(self, file: BinaryIO) -> bool:
        """Decode a block that the writer has added to the file and act on it; False if there is none."""
        data = file.read(BLOCK_BYTES)
        for frames in self.decoder.feed(data) if data else []:
            self.live.take(frames)
            if frames.layout:
                self.clock.take(frames, self.pump.arrivals, self.boot_id)
            elif message := MESSAGES.get(frames.kind):
                for frame in frames.singly():
                    if message.notice:
                        self.note(message.notice(frame))
                    if frame.kind == FrameType.HELLO:
                        self.on_hello(frame)
                    elif frame.kind == FrameType.BYE:
                        self.on_bye(frame)
        return bool(data)

    def on_hello(self, frame: Frames) -> None:
        """If the box is not running, start it again at the same rate for the rest of the time."""
        try:
            hello = hello_of(frame.data)
        except FileError as error:
            return self.note(f"a hello that cannot be read: {error}")
        if hello.serial != self.hello.serial:
            self.stop("another box is on the port now")
        elif hello.running:
            self.boot_id, self.box.identity = hello.boot_id, frame.data
            if not frame.headers["first_sample"][0]:
                self.live.box_started()
        elif self.seconds is not None and hello.boot_id == self.boot_id:
            self.end("the box finished while the connection was down")
        elif self.link is not Link.STOPPING and self.may_start(hello.boot_id):
            self.note("the box has restarted; it is started again at the same rate")
            left_s = None if self.seconds is None else max(self.seconds - self.live.seconds, 0.1)
            self.command(lambda: self.box.send_start(self.odr_hz, left_s))

    def may_start(self, boot_id: str) -> bool:
        """Whether to start a box that is not running: not if it has just been told to start."""
        now_s = time.monotonic()
        if boot_id == self.started_boot and now_s < self.started_s + RESTART_S:
            return False
        self.started_boot, self.started_s = boot_id, now_s
        return True

    def on_bye(self, frame: Frames) -> None:
        """End the recording: nothing follows a bye."""
        if self.seconds is not None and self.live.seconds >= self.seconds:
            self.end("complete", Ending.COMPLETE)
        else:
            self.end(f"the box stopped: {frame.data.get('reason')}")

    def watch_link(self, now_s: float) -> None:
        """Report a lost port and its return, greet a silent box, and end when waiting longer is pointless."""
        if self.pump.read_bytes != self.heard_bytes:
            self.heard_bytes, self.heard_s = self.pump.read_bytes, now_s
        is_silent = now_s > self.heard_s + SILENCE_S
        if self.link is Link.ENDED:
            return
        if self.pump.failure:
            self.stop(f"{self.raw_path}: {self.pump.failure.strerror}")
            self.end()
        elif self.link is Link.STOPPING:
            if now_s > self.turned_s + BYE_TIMEOUT_S or not self.pump.connected:
                self.note("the box has not said goodbye")
                self.ending = Ending.BROKEN_OFF
                self.end()
        elif self.seconds is not None and now_s > self.heard_s + self.seconds + GIVE_UP_S:
            self.end("the box did not come back")
        elif not self.pump.connected:
            if self.link is not Link.LOST:
                self.turn(Link.LOST, "the port is lost; waiting for it to come back")
        elif self.link is Link.LOST:
            self.turn(Link.RUNNING, "the port is back")
        elif not is_silent:
            self.link = Link.RUNNING
        elif self.link is Link.RUNNING or now_s > self.turned_s + SILENCE_S:
            self.turn(Link.SILENT, f"the box has been silent for {now_s - self.heard_s:.0f} s; it is greeted")
            self.command(lambda: self.box.send({"do": "hello"}))

    def watch_host(self) -> None:
        """Report a disk that fills up or a host that slept, and stop before the disk is full."""
        for news in self.host.look(self.pump.written_bytes):
            self.note(news)
        if self.host.full:
            self.stop("the disk is full")

    def mark(self, text: str) -> None:
        """Mark this moment, if the box is connected."""
        try:
            self.box.mark(text)
        except OSError:
            self.note(f"mark not set, the box is not connected: {text}")

    def stop(self, why: str, ending: Ending = Ending.BROKEN_OFF) -> None:
        """Ask the box to stop, once; its bye ends the recording."""
        if self.link is Link.LOST:
            why, ending = f"the port was lost; {why}", Ending.BROKEN_OFF
        if self.link not in (Link.STOPPING, Link.ENDED):
            self.ended, self.ending = why, ending
            self.turn(Link.STOPPING)
            self.command(self.box.stop)

    def end(self, why: str = "", ending: Ending = Ending.BROKEN_OFF) -> None:
        """End, once; the reason for stopping the box, if any, is kept."""
        if not self.ended:
            self.ended, self.ending = why, ending
        self.link = Link.ENDED

    def command(self, send: Callable[[], None]) -> None:
        """Send a command, ignoring a lost box: its return is noticed and handled anyway."""
        with suppress(OSError):
            send()

    def note(self, text: str) -> None:
        self.events.append(Event(time.time(), text))

    def finish(self, file: BinaryIO) -> None:
        """Write and sync everything read, read the clock once more for its drift, and complete the sidecar."""
        if self.link is not Link.ENDED:
            self.command(self.box.stop)
            self.end("interrupted")
            self.ending = Ending.BROKEN_OFF
        self.pump.stop()
        while self.follow(file):
            pass
        self.clock.close_interval()
        if self.pump.connected:
            with suppress(BoxError):
                self.clock.readings.append(self.box.read_clock(timeout_s=0.5))
        self.write_sidecar()

    def write_sidecar(self) -> None:
        """Write the sidecar; a failure is only noted, because it must not end the recording."""
        state = self.state()
        try:
            write_sidecar(
                self.raw_path,
                self.conditions,
                started_utc=datetime.fromtimestamp(self.started_unix_s, UTC).isoformat(),
                hello=self.hello_content,
                settings={"odr_hz": self.odr_hz},
                clock=msgspec.to_builtins(self.clock.readings),
                events=[asdict(event) for event in self.events],
                ended=state.ended,
                ending=state.ending,
                seconds=self.seconds,
                utc_offset_s=self.utc_offset_s,
            )
        except OSError as error:
            news = f"the conditions cannot be written next to the recording: {error.strerror}"
            if news not in [event.text for event in self.events]:
                self.note(news)

    def state(self) -> Recording:
        """The current state."""
        ending, ended = (self.ending, self.ended) if self.link is Link.ENDED else (None, "")
        written, space_s = self.pump.written_bytes, self.host.space_s
        return Recording(self.raw_path, written, self.live, space_s, tuple(self.events), ending, ended)
