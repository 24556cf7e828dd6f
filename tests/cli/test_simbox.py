"""`towertap simbox` as a person runs it."""

from __future__ import annotations

import json
import signal
import subprocess

import pytest
import serial
from towertap.cli.simbox import parse_fault
from towertap.errors import CallError

from tests.conftest import TOWERTAP

SIMBOX = (*TOWERTAP, "simbox")


def test_it_prints_a_port_that_answers_and_stops_on_a_signal(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text("time,x,y,z\n" + "".join(f"{n / 100},0,0,{9.8 if n % 25 < 20 else 12}\n" for n in range(100)))
    command = [*SIMBOX, "--signal", str(path), "--json"]
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


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--signal", "nowhere.csv"], "no such file"),
        (["--fault", "gremlins@3"], "no fault called"),
        (["--fault", "reset@soon"], "NAME@SECONDS"),
        (["--fault", "fifo_overflow@-1:lost=3"], "at_s = -1: it must be a number from 0 upwards"),
        (["--fault", "reset@nan"], "at_s = nan"),
        (["--fault", "fifo_overflow@1:lost=-3"], "lost = -3"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(options, words):
    done = subprocess.run([*SIMBOX, *options], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


def test_faults_are_written_as_name_time_and_settings():
    assert parse_fault("fifo_overflow@12.5:lost=37") == {"fault": "fifo_overflow", "at_s": 12.5, "lost": 37}
    assert parse_fault("stuck_axis@3:axis=y") == {"fault": "stuck_axis", "at_s": 3.0, "axis": "y"}
    assert parse_fault("wrong_identity:value=0x42") == {"fault": "wrong_identity", "at_s": 0.0, "value": 0x42}
    with pytest.raises(CallError):
        parse_fault("reset@1:count=many")
