"""A stand-in for a box on a pseudo-terminal, in the test's own process: the wire's answers, no chip behind them."""

from __future__ import annotations

import json
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from towertap.wire.frames import FrameType

from tests.boxes import PseudoBox

COUNT = 32


class StandIn(PseudoBox):
    """Sends samples from a thread; `sent` has everything sent from the first start to the bye."""

    def __init__(
        self, frame: Callable[..., bytes], path: Path, *, rate_hz: float = 4000.0, realtime: bool = True
    ) -> None:
        self._frame, self.rate_hz, self.realtime = frame, rate_hz, realtime
        self.sent = bytearray()
        self.commands: list[dict] = []
        self.running, self.samples, self.sequence, self.limit = False, 0, 0, None
        self.boot_id, self.born = "b1", time.monotonic()
        self.start_fault: str | None = None
        self.serial = "e66"
        self.said_bye = threading.Event()
        self._keeping = False
        super().__init__(path)

    def reset(self) -> None:
        """The box restarts by itself, with the link up, and says hello as the firmware does when it starts."""
        with self._lock:
            self.running, self.samples, self.sequence = False, 0, 0
            self.boot_id, self.born = self.boot_id + "'", time.monotonic()
            self._hello()

    @property
    def clock_us(self) -> int:
        if self.realtime or not self.running:
            return int((time.monotonic() - self.born) * 1e6)
        return int(self.samples / self.rate_hz * 1e6)

    def _run(self) -> None:
        while not self._closing.is_set():
            with self._lock:
                due = self.running and (
                    not self.realtime or time.monotonic() >= self._started + self.samples / self.rate_hz
                )
                if due:
                    self._samples()
                for command in self._commands():
                    self._obey(command)
            if not due:
                time.sleep(0.001)

    def _obey(self, command: dict) -> None:
        self.commands.append(command)
        if command["do"] == "start" and self.start_fault:
            self._send(FrameType.FAULT, json.dumps({"fault": self.start_fault, "detail": "0x00"}).encode())
        elif command["do"] == "start":
            self.running, self.samples, self._started = True, 0, time.monotonic()
            self.limit = command.get("seconds") and command["seconds"] * command["odr_hz"]
            self._keeping = True
            self._hello()
        elif command["do"] == "hello":
            self._hello()
        elif command["do"] == "mark":
            self._send(FrameType.MARK, command["text"].encode())
        elif command["do"] == "stop" and self.running:
            self._bye("stop")

    def _samples(self) -> None:
        packets = np.zeros(COUNT, np.dtype([("header", "u1"), ("accel", ">i2", 3), ("rest", "V9")]))
        packets["header"] = 0x68
        packets["accel"] = [100, -200, 2048]
        self._send(FrameType.SAMPLES, packets.tobytes(), layout=1, count=COUNT, fifo=COUNT)
        self.samples += COUNT
        if self.limit and self.samples >= self.limit:
            self._bye("seconds")

    def _bye(self, reason: str) -> None:
        self.running = False
        self._send(FrameType.BYE, json.dumps({"reason": reason, "samples": self.samples, "lost": 0}).encode())

    def _hello(self) -> None:
        hello = {
            "serial": self.serial,
            "boot_id": self.boot_id,
            "running": self.running,
            "odr_hz": 4000 if self.running else 0,
            "accel_range_g": 16,
            "gyro_range_dps": 2000,
            "chip": "stand-in",
        }
        self._send(FrameType.HELLO, json.dumps(hello).encode())

    def _send(self, kind: FrameType, payload: bytes, **fields: int) -> None:
        counters = {"sequence": self.sequence, "first": self.samples, "clock": self.clock_us}
        data = self._frame(kind, payload, **counters, **fields)
        self.sequence += 1
        if self._master is not None:
            self.sent += data if self._keeping else b""
            self._keeping &= kind != FrameType.BYE
            self._write(data)
            if kind == FrameType.BYE:
                self.said_bye.set()


@pytest.fixture
def stand_in(tmp_path, by_hand):
    boxes = []

    def make(**options) -> StandIn:
        boxes.append(StandIn(by_hand.frame, tmp_path / f"port{len(boxes)}", **options))
        return boxes[-1]

    yield make
    for box in boxes:
        box.close()


@pytest.fixture
def talker():
    """A pseudo-terminal that answers `reply` to anything (nothing if empty)."""
    ends, stop, threads = [], threading.Event(), []

    def make(reply: bytes) -> str:
        master, slave = pty.openpty()
        tty.setraw(slave)
        ends.extend((master, slave))

        def run() -> None:
            while not stop.is_set():
                if select.select([master], [], [], 0.02)[0] and os.read(master, 4096) and reply:
                    os.write(master, reply)

        threads.append(threading.Thread(target=run, daemon=True))
        threads[-1].start()
        return os.ttyname(slave)

    yield make
    stop.set()
    for thread in threads:
        thread.join()
    for end in ends:
        os.close(end)
