"""Simulated drives over two roads, and a box on a pseudo-terminal that plays them one after the other, as fast as read.

The roads, the vehicle and the parts are invented. A road is the same waveform in every pass, a line of one's own beside
it; a stop is braking, standing with the engine idling, and pulling away.
"""

from __future__ import annotations

import json
import threading
import time
from datetime import UTC, datetime, timedelta
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import signal
from towertap.wire.frames import FrameType

from tests.boxes import PseudoBox

RATE_HZ = 1000
PER_MS2 = 2048 / 9.80665
"""Counts in ±16 g, 16 bits."""
PER_RADS = 32768 / np.radians(2000)
LEVELS_MS2 = {"bypass": 0.5, "quarry-lane": 2.5}
"""R.m.s. of the vertical acceleration up to 100 Hz."""
LINE = 0.2
STOP_S, BRAKING_S = 6.0, 3.0


@cache
def road(name, seconds=40):
    """The waveform of a road, r.m.s. 1: noise up to 100 Hz that swells and fades within seconds."""
    rng = np.random.default_rng(sum(map(ord, name)))
    n = seconds * RATE_HZ
    swell = np.repeat(np.exp(0.5 * signal.lfilter([0.8], [1, -0.6], rng.standard_normal(seconds * 4))), RATE_HZ // 4)
    noise = signal.sosfilt(signal.butter(2, 100, fs=RATE_HZ, output="sos"), rng.standard_normal(n))
    return swell * noise / np.std(swell * noise)


def motion(name, factor, seed, seconds=14.0, stop_s=None, idle_ms2=0.02, stand_s=STOP_S):
    """Counts (n, 6) of one pass; `factor` times as rough, with a stop at `stop_s` or without one."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    felt = LEVELS_MS2[name] * factor * (road(name)[:n] + LINE * rng.permutation(road(name)[:n]))
    forward, turning = np.zeros(n), np.ones(n)
    if stop_s is not None:
        at, ramp, stand = round(stop_s * RATE_HZ), round(BRAKING_S * RATE_HZ), round(stand_s * RATE_HZ)
        pace = np.concatenate([np.linspace(1, 0, ramp), np.zeros(stand), np.linspace(0, 1, ramp)])
        slowed = np.interp(np.cumsum(pace), np.arange(n - at), felt[at:])[: pace.size] * pace
        rest = felt[at + round(pace.sum()) :]
        felt = np.concatenate([felt[:at], slowed, rest])
        pull = np.concatenate([np.full(ramp, -3.5), np.zeros(stand), np.full(ramp, 3.5)])
        forward = np.concatenate([np.zeros(at), pull, np.zeros(rest.size)])
        turning = np.concatenate([np.ones(at), pace, np.ones(rest.size)])
    return counts_of(felt, forward, turning, idle_ms2, rng)


def standstill(seconds, idle_ms2, seed=1):
    """Counts (n, 6) of a vehicle that stands, its engine idling."""
    n = round(seconds * RATE_HZ)
    return counts_of(np.zeros(n), np.zeros(n), np.zeros(n), idle_ms2, np.random.default_rng(seed))


def counts_of(felt_ms2, forward_ms2, turning, idle_ms2, rng):
    n = felt_ms2.size
    time_s = np.arange(n) / RATE_HZ
    idling = signal.sosfilt(signal.butter(4, (45, 90), "bandpass", fs=RATE_HZ, output="sos"), rng.standard_normal(n))
    values = rng.normal(0, [*3 * [0.02], *3 * [0.0005]], (n, 6))
    values[:, 0] += forward_ms2
    values[:, 2] += 9.80665 + felt_ms2 + idle_ms2 * idling / np.std(idling)
    values[:, 5] += turning * np.radians(2) * np.sin(2 * np.pi * 0.3 * time_s)
    scaled = values * [*3 * [PER_MS2], *3 * [PER_RADS]]
    return np.clip(np.rint(scaled), -32767, 32767).astype(int)


@pytest.fixture(scope="session")
def simulated():
    """The signals."""
    return SimpleNamespace(motion=motion, standstill=standstill, rate_hz=RATE_HZ)


@pytest.fixture(scope="session")
def drives(by_hand):
    """A function that writes a folder of drives, `passes` over each road with each part, after `factor` times as rough.

    `change` gets the key (part, road, number), the counts and the conditions of each and gives both back.
    """

    def write(folder, factor=1.0, passes=3, change=lambda key, counts, said: (counts, said), roads=tuple(LEVELS_MS2)):
        folder.mkdir(exist_ok=True)
        for at, (name, part, number) in enumerate(
            (name, part, number)
            for number in range(1, passes + 1)
            for part in ("rubber", "polyurethane")
            for name in roads
        ):
            rng = np.random.default_rng([7, at])
            ratio = (factor if part == "polyurethane" and name != "bypass" else 1.0) * np.exp(
                0.01 * rng.standard_normal()
            )
            said = by_hand.conditions(part, name, number)
            counts, said = change((part, name, number), motion(name, ratio, at), said)
            frames = by_hand.recording(rate_hz=float(RATE_HZ), counts=counts, seed=at)
            started = datetime.now(UTC).replace(hour=12, minute=0) + timedelta(minutes=10 * at)
            sidecar = {
                "started_utc": started.isoformat(timespec="seconds"),
                "hello": by_hand.hello_fields | {"odr_hz": RATE_HZ},
            }
            by_hand.capture(folder / f"{name}_{part}_pass{number:02d}", frames, said, sidecar)
        return folder

    return write


class PlayingBox(PseudoBox):
    """A box on `path` that plays the next of `signals` at every start without seconds, and rests at a start with some.

    `began` is when the last start was obeyed; `played` is set when all of a signal is sent. It does not hear the next
    `deaf_to` starts. A signal whose number is in `pulled` loses its cable half way.
    """

    def __init__(self, by_hand, path, signals, pulled=(), idle_ms2=0.02):
        self._by_hand, self._signals, self._pulled = by_hand, iter(enumerate(signals)), set(pulled)
        self._idle_ms2 = idle_ms2
        self.played = threading.Event()
        self.began, self.deaf_to = 0.0, 0
        self._sequence = self._clock_us = self._first = 0
        self.starts = 0
        super().__init__(path)

    def _run(self):
        while not self._closing.is_set():
            for command in self._commands(0.05):
                self._obey(command)

    def _obey(self, command):
        if command["do"] == "hello":
            self._hello(False)
        elif command["do"] == "mark":
            self._send(FrameType.MARK, command["text"].encode())
        elif command["do"] == "start" and self.deaf_to:
            self.deaf_to -= 1
        elif command["do"] == "start":
            self._first = 0
            self._hello(True)
            self._play(command.get("seconds"))

    def _play(self, seconds):
        number, counts = next(self._signals) if seconds is None else (None, standstill(seconds, self._idle_ms2))
        self.starts += number is not None
        self.began = time.monotonic()
        half = len(counts) // 64 * 32
        for first in range(0, len(counts) // 32 * 32, 32):
            if first == half and number in self._pulled:
                self.pull_out()
                self._closing.wait(1.0)
                self.plug_in()
                self._first += 2000  # the box ran on
            rows = counts[first : first + 32]
            self._clock_us = int((self._first + 31) / RATE_HZ * 1e6) + 1000
            payload = self._by_hand.samples(rows[:, :3], rows[:, 3:], first=self._first, sequence=self._sequence,
                                            clock=self._clock_us, fifo=32, temperature=0)  # fmt: skip
            self._sequence += 1
            self._first += 32
            self._write(payload)
        self.played.set()
        reason = "seconds"
        while seconds is None and not self._closing.is_set():
            commands = self._commands(0.02)
            for command in commands:
                if command["do"] == "mark":
                    self._send(FrameType.MARK, command["text"].encode())
                elif command["do"] == "hello":
                    self._hello(True)
            if any(command["do"] == "stop" for command in commands):
                reason = "stop"
                break
        self._send(FrameType.BYE, json.dumps({"reason": reason, "samples": self._first, "lost": 0}).encode())
        self._first = 0

    def _hello(self, running):
        fields = {**self._by_hand.hello_fields, "odr_hz": RATE_HZ if running else 0, "running": running}
        self._send(FrameType.HELLO, json.dumps(fields).encode())

    def _send(self, kind, payload):
        self._clock_us += 10
        data = self._by_hand.frame(kind, payload, sequence=self._sequence, first=self._first, clock=self._clock_us)
        self._sequence += 1
        self._write(data)


@pytest.fixture
def playing_box(by_hand, tmp_path):
    """A function that starts such a box on a port of the test's own."""
    boxes = []

    def make(signals, **options):
        boxes.append(PlayingBox(by_hand, tmp_path / f"port{len(boxes)}", signals, **options))
        return boxes[-1]

    yield make
    for box in boxes:
        box.close()
