"""`towertap simbox`, run as a process."""

from __future__ import annotations

import json
import signal
import subprocess

import numpy as np
import pytest
import serial
from towertap.cli.simbox import motion_of

from tests.conftest import TOWERTAP

SIMBOX = (*TOWERTAP, "simbox")


def test_it_prints_a_port_that_answers_and_stops_on_a_signal(make_capture):
    command = [*SIMBOX, str(make_capture()), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            answer = json.loads(process.stdout.readline())
            with serial.Serial(answer["port"], timeout=60) as port:
                port.write(b'{"do": "hello"}\n')
                greeting = port.read_until(b'"ICM-42688-P"')
        finally:
            process.send_signal(signal.SIGTERM)
        rest, complaints = process.communicate(timeout=60)
    assert answer["interpreter"] == "micropython"
    assert greeting.endswith(b'"ICM-42688-P"')
    assert (process.returncode, rest, complaints) == (0, b"", b"")


def test_a_capture_is_played_in_chip_axes(make_capture, by_hand):
    """The longest stretch without a gap: here the first 100 frames of 32 samples, at 16 / 32768 g per count."""
    counts = np.random.default_rng(3).integers(-9000, 9000, (8000, 6))
    frames = by_hand.recording(2, counts=counts)
    del frames[101:140]
    motion, rate_hz = motion_of(make_capture(frames, conditions=by_hand.conditions("rubber", "bypass", 1)))
    assert rate_hz == pytest.approx(4000, rel=1e-3)
    assert len(motion) >= 100 * 32
    first = int(np.flatnonzero(counts[:, 0] / 2048 * 9.80665 == motion[0, 0])[0])
    assert motion[:, :3] == pytest.approx(counts[first : first + len(motion), :3] / 2048 * 9.80665)
    assert motion[:, 3:] == pytest.approx(np.radians(counts[first : first + len(motion), 3:] / 32768 * 2000))


def test_a_wrong_call_is_one_line_and_status_2(refused):
    assert "no such file" in refused("simbox", "nowhere.h5")
