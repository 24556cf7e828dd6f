"""A recorder in a process of its own: killed, interrupted, or its terminal closed, it keeps what the box sent."""

import fcntl
import json
import os
import pty
import signal
import subprocess
import sys
import termios
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from towertap.box.pump import SYNC_INTERVAL_S
from towertap.capture.conditions import read_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture

from tests.conftest import TOWERTAP

RECORD = """
import sys
from pathlib import Path
from towertap.box.port import open_box
from towertap.box.recorder import record
from towertap.capture.conditions import Conditions
record(open_box(sys.argv[1]), Path(sys.argv[2]), Conditions())
"""


@pytest.mark.parametrize("seed", range(int(os.environ.get("TOWERTAP_KILLS", "3"))))
def test_a_killed_recorder_loses_at_most_the_last_second(stand_in, tmp_path, seed):
    """Three random moments; `TOWERTAP_KILLS=100 pytest tests/box -k killed` tries a hundred."""
    stand, raw_path, sent_by = stand_in(), tmp_path / "a.ttraw", [(0.0, 0)]
    recorder = subprocess.Popen([sys.executable, "-c", RECORD, str(stand.path), str(raw_path)])
    _wait_for(lambda: raw_path.exists() and raw_path.stat().st_size >= 1_000)
    kill_s = time.monotonic() + np.random.default_rng(seed).uniform(0, 3)
    while time.monotonic() < kill_s:
        sent_by.append((time.monotonic(), len(stand.sent)))
        time.sleep(0.002)
    recorder.send_signal(signal.SIGKILL)
    recorder.wait()
    kept = raw_path.read_bytes()
    assert len(kept) >= max(size for at_s, size in sent_by if at_s <= kill_s - SYNC_INTERVAL_S)
    assert kept == bytes(stand.sent[: len(kept)])
    with open_capture(decode_raw(raw_path, tmp_path / "a.h5")) as capture:
        assert len(capture.gaps) == 0
        assert capture.n_samples >= (len(kept) - 2000) // 18


COMMAND = [*TOWERTAP, "record"]
OPTIONS = "--vehicle a --part b --road c --pass 1 --mounting x=+X,y=+Y,z=+Z --json"


def test_ctrl_c_keeps_every_byte_up_to_the_bye(stand_in, tmp_path):
    stand = stand_in()
    recorder = subprocess.Popen(
        [*COMMAND, "--port", str(stand.path), "--out", str(tmp_path), *OPTIONS.split()],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    _wait_for(lambda: len(stand.sent) >= 60_000)
    recorder.send_signal(signal.SIGINT)
    answer = json.loads(recorder.communicate(timeout=60)[0])
    assert Path(answer["raw"]).read_bytes() == bytes(stand.sent)
    assert answer["ended"] == "stopped by the user"
    assert recorder.returncode == 1  # the stand-in's constant samples are not those of a sound chip


OPTION_WORDS = ["--vehicle", "a", "--part", "b", "--road", "c", "--pass", "1", "--mounting", "x=+X,y=+Y,z=+Z"]


def test_a_terminal_that_is_closed_stops_the_box_and_leaves_a_capture(stand_in, tmp_path):
    """SIGHUP, after which every write to the screen fails: setsid(2), ioctl_tty(2), TIOCSCTTY."""
    stand = stand_in()
    master, slave = pty.openpty()
    words = ["--port", str(stand.path), "--out", str(tmp_path / "out"), *OPTION_WORDS]
    for name in ("--speed", "50 km/h", "--tyre-pressures", "250, 250, 300, 300 kPa", "--air-temperature", "9"):
        words.append(name)
    recorder = subprocess.Popen(
        [*COMMAND, *words, "--box-position", "sill", "--notes", "none"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )
    os.close(slave)
    reader = threading.Thread(target=_drain, args=(master,), daemon=True)
    reader.start()
    _wait_for(lambda: len(stand.sent) >= 60_000)
    os.close(master)
    recorder.wait(60)
    assert not stand.running
    (raw,) = (tmp_path / "out").glob("*.ttraw")
    assert raw.read_bytes() == bytes(stand.sent)
    assert (read_sidecar(raw)["ended"], read_sidecar(raw)["ending"]) == ("the terminal was closed", "broken off")
    with open_capture(raw.with_suffix(".h5")) as capture:
        assert capture.n_samples == stand.samples


def _drain(master):
    with suppress(OSError):
        while os.read(master, 4096):
            pass


def test_a_second_ctrl_c_names_the_raw_file(stand_in, tmp_path, monkeypatch):
    stand = stand_in()
    stand.serial = "[/b]\x1b[2J"  # a box's name is shown literally
    recorder = subprocess.Popen(
        [*COMMAND, "--port", str(stand.path), "--out", str(tmp_path), *OPTIONS.split()],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    _wait_for(lambda: len(stand.sent) >= 60_000)
    monkeypatch.setattr(stand, "_bye", lambda reason: None)  # it does not answer a stop command
    for _ in range(2):
        recorder.send_signal(signal.SIGINT)
        time.sleep(0.3)
    out, err = recorder.communicate(timeout=60)
    (raw,) = tmp_path.glob("*.ttraw")
    assert (recorder.returncode, out) == (130, "")
    assert f"the raw recording {raw} is kept, and 'towertap decode {raw}' makes its capture" in err
    assert "Box [/b]\u241b[2J" in err
    assert {"do": "stop"} in stand.commands
    assert read_sidecar(raw)["ending"] == "broken off"


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.15, 0.3])
def test_whenever_the_second_ctrl_c_comes_nothing_is_lost_and_the_files_are_named(after_s, stand_in, tmp_path):
    stand = stand_in()
    words = [*COMMAND, "--port", str(stand.path), "--out", str(tmp_path), *OPTIONS.split()]
    recorder = subprocess.Popen(
        words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    _wait_for(lambda: len(stand.sent) >= 60_000)
    for pause_s in (after_s, 0):
        recorder.send_signal(signal.SIGINT)
        time.sleep(pause_s)
    out, err = recorder.communicate(timeout=60)
    (raw,) = tmp_path.glob("*.ttraw")
    assert raw.read_bytes() == bytes(stand.sent)
    assert "Traceback" not in err
    if recorder.returncode == 130:
        assert f"the raw recording {raw} is kept, and 'towertap decode {raw}' makes its capture" in err
    else:  # its capture was made by then
        assert json.loads(out)["raw"] == str(raw)


def _wait_for(condition):
    limit = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < limit
        time.sleep(0.02)


SIGNALS_ON_SIGNALS = """
import os, signal
from towertap.cli._recording import _ended_by_signals
with _ended_by_signals() as requests:
    parent, child = os.getpid(), os.fork()
    if not child:
        for _ in range(500_000):
            os.kill(parent, signal.SIGINT)
        os._exit(0)
    os.waitpid(child, 0)
print([request.is_set() for request in requests])
"""


def test_a_signal_during_another_signal_blocks_nothing():
    done = subprocess.run([sys.executable, "-c", SIGNALS_ON_SIGNALS], capture_output=True, text=True, timeout=60)
    assert done.stdout == "[True, False, True]\n", done.stderr
