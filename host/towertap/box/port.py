"""A box on a serial port: opening it, greeting it and sending commands, with a clear error for each failure."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import serial
from serial.tools import list_ports

from towertap.box.diagnosis import why_no_answer, why_not_open
from towertap.capture.conditions import ClockReading
from towertap.doors.files import Closing
from towertap.errors import BoxError
from towertap.wire.decoder import Decoder, Frames
from towertap.wire.frames import FrameType, command_line

BAUD_RATE = 115200
"""No effect on USB or a pseudo-terminal, but drivers require a value."""

READ_TIMEOUT_S = 0.1
READ_BYTES = 4096
WRITE_TIMEOUT_S = 1.0
ANSWER_TIMEOUT_S = 2.0
SELF_TEST_TIMEOUT_S = 10.0
LONGEST_MARK = 200
"""Characters of a mark's text as JSON: the wire format's limit of 200 bytes, below that of a command."""

PASSED_THROUGH: tuple[type[Exception], ...] = (ValueError, TypeError)
"""Exceptions that pyserial raises besides its own, which are OSErrors, if the port has been closed or is gone."""
with suppress(ImportError):  # not available on Windows
    import termios

    PASSED_THROUGH += (termios.error,)

SENSOR_FAULTS = ("no_sensor", "wrong_identity", "self_test_failed")
"""A box that reports one of these with its hello cannot record."""


@dataclass(frozen=True)
class HostTime:
    """One moment on the host's two clocks: Unix time and the monotonic clock."""

    unix_s: float
    monotonic_s: float

    @classmethod
    def now(cls) -> HostTime:
        return cls(time.time(), time.monotonic())


class SerialBox(Closing):
    """A box on an open port; one thread may read while another commands."""

    def __init__(self, port: str) -> None:
        """Open `port`; BoxError says why it cannot be opened."""
        self.port = port
        self.identity: dict[str, Any] = {}
        """The box's last hello."""
        self._serial = _open(port)
        self._usb_serial = next((p.serial_number for p in list_ports.comports() if p.device == port), None)
        self._unread = b""
        self._lock = threading.Lock()  # blocks commands while the port is being reopened

    def close(self) -> None:
        self._serial.close()

    def reopen(self) -> None:
        """Reopen the port after it was lost, under its new name if it has one; OSError while it is gone."""
        with self._lock, _port_errors():
            self._serial.close()
            ports = list_ports.comports() if self._usb_serial else []
            self._serial = _open(next((p.device for p in ports if p.serial_number == self._usb_serial), self.port))

    def read(self) -> bytes:
        """Wait up to 0.1 s for bytes and return those available (up to 4 kB); OSError if the port is lost."""
        if self._unread:
            data, self._unread = self._unread, b""
            return data
        with _port_errors():
            data = self._serial.read(1)
            if data:
                data += self._serial.read(min(self._serial.in_waiting, READ_BYTES - 1))
        return bytes(data)

    def send(self, command: dict[str, Any]) -> None:
        """Send one command without waiting for an answer; OSError if the port is lost."""
        self._write(command_line(command))

    def _write(self, lines: bytes) -> None:
        with self._lock, _port_errors():
            self._serial.write(lines)

    def send_start(self, odr_hz: int, seconds: float | None = None) -> None:
        """Start the box at a rate, with its chip's fixed ranges; it stops by itself after `seconds` of samples."""
        self.send({"do": "start", "odr_hz": odr_hz} | ({} if seconds is None else {"seconds": seconds}))

    def mark(self, text: str) -> None:
        """Mark this moment; the mark frame comes back in the stream. Text too long for a command is cut."""
        while len(json.dumps(text)) > LONGEST_MARK:
            text = text[:-1]
        self.send({"do": "mark", "text": text})

    def status(self) -> None:
        """Ask for a status frame in the stream."""
        self.send({"do": "status"})

    def stop(self) -> None:
        """Ask the box to stop; a bye frame ends the stream."""
        self.send({"do": "stop"})

    def hello(self, timeout_s: float = ANSWER_TIMEOUT_S) -> dict[str, Any]:
        """Greet the box and return its hello; BoxError says what is on the port instead."""
        line_end = b"\n"  # ends a command that another program left incomplete
        answers, *_ = self._converse(line_end + command_line({"do": "hello"}), timeout_s)
        hello = next((frame.data for frame in reversed(answers) if frame.kind == FrameType.HELLO), {})
        missing = [key for key in ("serial", "boot_id", "odr_hz", "running") if key not in hello]
        if missing:
            raise BoxError(f"{self.port}: the box's hello lacks {', '.join(missing)}; flash its firmware again")
        self.identity = hello
        for frame in answers:
            if frame.kind == FrameType.FAULT and frame.data.get("fault") in SENSOR_FAULTS:
                raise BoxError(f"{self.port}: the box {_reports(frame)}; check the sensor and its wiring")
        return hello

    def greet(self, timeout_s: float = ANSWER_TIMEOUT_S) -> None:
        """Greet the box, and stop it if a killed recorder left it running; BoxError as in `hello`."""
        if self.hello(timeout_s)["running"]:
            self.stop()
            self.hello(timeout_s)

    def read_clock(self, timeout_s: float = ANSWER_TIMEOUT_S) -> ClockReading:
        """Pair the clock of a greeted box that is not running with the host's."""
        _, clock_us, sent, received = self._converse(b"", timeout_s)
        boot_id = str(self.identity["boot_id"])
        return ClockReading(boot_id, clock_us, sent.unix_s, received.unix_s, received.monotonic_s)

    def start(self, odr_hz: int, seconds: float | None = None) -> dict[str, Any]:
        """Start the greeted box and return its hello, which `read` will return too; BoxError if it does not start."""
        heard = bytearray()
        with self._loss_as_box_error():
            self.send_start(odr_hz, seconds)
            for frame, _ in self._listen(heard, ANSWER_TIMEOUT_S):
                if frame.kind == FrameType.FAULT:
                    is_refused = frame.data.get("fault") == "bad_command"
                    advice = "give a rate that its chip supports" if is_refused else "check its sensor"
                    raise BoxError(f"{self.port}: the box does not start, it {_reports(frame)}; {advice}")
                if frame.kind == FrameType.HELLO and frame.data.get("running"):
                    self.identity = frame.data
                    self._unread = bytes(heard[int(frame.offsets[0]) :])
                    return self.identity
        raise BoxError(f"{self.port}: the box answers but does not start; unplug it, plug it in and try again")

    def self_test(self, timeout_s: float = SELF_TEST_TIMEOUT_S) -> dict[str, Any]:
        """Run the chip's self-test on the greeted box, which must lie still; BoxError if there is no result."""
        if "self_test" not in self.identity.get("commands", ()):
            raise BoxError(f"{self.port}: the box's firmware has no self-test; update it with 'towertap flash'")
        answers, *_ = self._converse(command_line({"do": "self_test"}), timeout_s)
        for frame in answers:
            if frame.kind == FrameType.SELF_TEST:
                return frame.data
        why = ", ".join(_reports(frame) for frame in answers if frame.kind == FrameType.FAULT) or "does not say why"
        raise BoxError(f"{self.port}: no self-test, the box {why}; check the sensor and its wiring")

    def _converse(self, commands: bytes, timeout_s: float) -> tuple[list[Frames], int, HostTime, HostTime]:
        """Send commands and a mark; returns the answers, the box's clock at the mark, and host times before and after.

        The mark's text is unique, so once it comes back no older answer is still on its way, and the box read its clock
        between question and answer (Cristian 1989).
        """
        heard, text = bytearray(), f"clock {os.urandom(4).hex()}"
        answers: list[Frames] = []
        with self._loss_as_box_error():
            self._write(commands)
            sent = HostTime.now()
            self.mark(text)
            for frame, received in self._listen(heard, timeout_s):
                if frame.kind == FrameType.MARK and frame.text == text:
                    return answers, int(frame.headers["clock_us"][0]), sent, received
                answers.append(frame)
        raise BoxError(f"{self.port}: {why_no_answer(bytes(heard))}")

    def _listen(self, heard: bytearray, timeout_s: float) -> Iterator[tuple[Frames, HostTime]]:
        """Each frame except samples with its time of arrival, until the time limit; adds all bytes to `heard`."""
        decoder, end_s = Decoder(), time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            data = self.read()
            received = HostTime.now()
            heard += data
            for frames in decoder.feed(data):
                for frame in frames.singly() if frames.kind != FrameType.SAMPLES else ():
                    yield frame, received

    @contextmanager
    def _loss_as_box_error(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise BoxError(f"{self.port}: the connection was lost; check the cable") from error


def _reports(fault: Frames) -> str:
    return f"reports {fault.data.get('fault')} ({fault.data.get('detail')})"


def open_box(port: str | None = None, timeout_s: float = ANSWER_TIMEOUT_S) -> SerialBox:
    """Open and greet the box on `port`, or find it by greeting every serial port; BoxError unless there is exactly one.

    A box that a killed recorder left running is stopped first.
    """
    return _open_greeted(port, timeout_s) if port else _find_box(timeout_s)


def _open_greeted(port: str, timeout_s: float) -> SerialBox:
    box = SerialBox(port)
    try:
        box.greet(timeout_s)
    except BaseException:
        box.close()
        raise
    return box


def _find_box(timeout_s: float) -> SerialBox:
    """Greet all ports in parallel, because each silent one takes the full time limit."""

    def attempt(port: str) -> SerialBox | BoxError:
        try:
            return _open_greeted(port, timeout_s)
        except BoxError as error:
            return error

    ports = _ports_present()
    if not ports:
        raise BoxError("no serial port found: plug the box in, or give its --port")
    with ThreadPoolExecutor(len(ports)) as pool:
        results = list(pool.map(attempt, ports))
    boxes = [result for result in results if isinstance(result, SerialBox)]
    if len(boxes) == 1:
        return boxes[0]
    for box in boxes:
        box.close()
    if boxes:
        raise BoxError(f"more than one box found, choose one with --port: {', '.join(box.port for box in boxes)}")
    raise BoxError(f"no box found; {'; '.join(str(result) for result in results)}")


def _ports_present() -> list[str]:
    return [info.device for info in list_ports.comports()]


@contextmanager
def _port_errors() -> Iterator[None]:
    """Turn everything that pyserial raises for a lost port into OSError, which most of it is."""
    try:
        yield
    except BoxError as error:
        raise OSError(str(error)) from error
    except PASSED_THROUGH as error:
        raise OSError(f"the port is gone ({error})") from error


def _open(port: str) -> serial.Serial:
    """Open a port exclusively (pyserial takes an advisory lock, so that a second recorder fails)."""
    try:
        with _port_errors():
            return serial.Serial(port, BAUD_RATE, timeout=READ_TIMEOUT_S, write_timeout=WRITE_TIMEOUT_S, exclusive=True)
    except OSError as error:
        raise BoxError(why_not_open(port, error, _ports_present())) from error
