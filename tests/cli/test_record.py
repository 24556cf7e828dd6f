"""`towertap record` from a box to a checked capture, with the real firmware on the simulated board."""

import errno
import json
import os
import re
import signal
import subprocess
import sys
import time
from types import SimpleNamespace

import h5py
import numpy as np
import pytest
from towertap.box.simulated import SimulatedBox
from towertap.capture import writing
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.cli import main
from towertap.cli._asking import next_pass

from tests.conftest import TOWERTAP
from tests.terminal import Terminal

RECORD = (*TOWERTAP, "record")
GIVEN = {
    "vehicle": "minibus",
    "part": "rubber",
    "road": "quarry-lane",
    "pass_number": 1,
    "mounting": "x=+X,y=+Y,z=+Z",
}
OPTIONS = ["--vehicle", "minibus", "--part", "rubber", "--road", "quarry-lane", "--mounting", "x=+X,y=+Y,z=+Z"]


@pytest.fixture
def towertap(monkeypatch, capsys):
    """Run `towertap record` in this process without a terminal; returns exit status, standard output and error."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["towertap", "record", *arguments])
        with pytest.raises(SystemExit) as left:
            main()
        return SimpleNamespace(returncode=left.value.code, **capsys.readouterr()._asdict())

    return run


def test_a_recording_becomes_a_sound_capture(towertap, tmp_path):
    with SimulatedBox(None, oscillator_ppm=13000) as box:
        done = towertap(
            "--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--seconds", "10", "--json"
        )
    assert done.returncode == 0, done.err
    data = json.loads(done.out)
    assert (data["sound"], data["ended"], data["samples"], data["missing_samples"]) == (True, "complete", 40_000, 0)
    # 4000 Hz and an oscillator 1.3 % fast
    assert data["rate_hz"] == pytest.approx(4052, abs=4052 * 5e-6)
    assert re.fullmatch(r"quarry-lane_rubber_pass01_\d{8}T\d{6}Z\.h5", data["capture"].split("/")[-1])
    with h5py.File(data["capture"]) as file:
        assert file["acceleration_differences"].shape == (40_000, 3)
        assert json.loads(file.attrs["conditions"])["part"] == "rubber"
    assert "The driver drives and watches the road; the passenger records." in " ".join(done.err.split())


def test_the_text_says_what_to_do_next(towertap, tmp_path):
    shaken = np.random.default_rng(1).normal([0, 0, 9.81], 4, (6000, 3))
    with SimulatedBox(shaken, 500.0) as box:
        done = towertap("--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--seconds", "10")
    assert done.returncode == 0
    assert "\nsound\nNext: drive the next pass" in done.out


@pytest.mark.parametrize(("mounting", "ready"), [("x=+X,y=+Y,z=+Z", True), ("x=+Y,y=+Z,z=+X", False)])
def test_preflight_says_whether_all_is_ready_and_records_nothing(towertap, tmp_path, mounting, ready):
    sidecar = tmp_path / "bench" / "too_short.conditions.json"
    sidecar.parent.mkdir()
    sidecar.write_text("{}")  # from a recording without a bench record
    with SimulatedBox(None) as box:
        call = ("--preflight", "--port", box.port, "--out", str(tmp_path), "--mounting", mounting, "--json")
        done = towertap(*call)
    answer = json.loads(done.out)
    checks = {check["name"]: check for check in answer["checks"]}
    assert (done.returncode, answer["ready"], checks["gravity"]["ok"]) == (int(not ready), ready, ready)
    assert all(checks[name]["ok"] for name in ("box", "rate", "space"))
    assert checks["space"]["text"].endswith(f"in {tmp_path}")
    assert checks.keys() >= {"battery", "clock", "record of idle"}
    assert checks["record of noise"]["text"].endswith(f"'towertap bench noise --bench {tmp_path / 'bench'}'")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [sidecar]


def test_preflight_says_that_the_folder_does_not_exist(towertap, tmp_path):
    with SimulatedBox(None) as box:
        done = towertap("--preflight", "--port", box.port, "--out", str(tmp_path / "gone" / "usb"))
    assert f"in {tmp_path / 'gone' / 'usb'}, which will be created" in " ".join(done.out.split())


def test_a_recording_with_losses_is_kept_as_not_sound(towertap, tmp_path):
    faults = [{"fault": "fifo_overflow", "at_s": 1.0, "lost": 37}]
    with SimulatedBox(None, faults=faults) as box:
        done = towertap("--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--seconds", "4", "--json")
    data = json.loads(done.out)
    assert (done.returncode, data["sound"], data["missing_samples"]) == (1, False, 37)
    assert any("fifo_overflow" in event["text"] for event in data["events"])


def test_the_text_says_how_to_repeat_an_unsound_pass(towertap, tmp_path):
    words = [*OPTIONS, "--part", "soft rubber", "--pass", "1", "--seconds", "2"]
    with SimulatedBox(None, faults=[{"fault": "fifo_overflow", "at_s": 1.0, "lost": 37}]) as box:
        done = towertap("--port", box.port, "--out", str(tmp_path), *words)
    assert done.returncode == 1
    assert "\nnot sound: " in done.out
    assert "\nNext: drive it again under the same number, and strike this one out: towertap drop " in done.out
    assert "--reason '37 samples missing in 1 gap (" in done.out


def test_a_short_pass_is_to_be_struck_out_with_that_reason(towertap, tmp_path):
    with SimulatedBox(None) as box:
        done = towertap("--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--seconds", "2")
    assert "sound, but not a pass: too short: 2.0 s" in done.out
    assert done.out.endswith("--reason 'too short: 2.0 s, and a pass should be 10 s'\n")


def test_if_decoding_fails_the_raw_recording_is_named_with_the_command(towertap, tmp_path, monkeypatch):
    def full(path, size):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(writing, "allocate", full)
    with SimulatedBox(None) as box:
        done = towertap("--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--seconds", "2")
    (raw,) = tmp_path.glob("*.ttraw")
    assert (done.returncode, done.out) == (2, "")
    last = done.err.splitlines()[-1]
    assert "no space for the capture" in last
    assert last.endswith(f"(complete), the raw recording {raw} is kept, and 'towertap decode {raw}' makes its capture")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly(tmp_path, number):
    with SimulatedBox(None, realtime=True) as box:
        arguments = ["--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--json"]
        recorder = subprocess.Popen(
            [*RECORD, *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        limit = time.monotonic() + 60
        while not any(raw.stat().st_size > 40_000 for raw in tmp_path.glob("*.ttraw")):
            assert time.monotonic() < limit
            time.sleep(0.05)
        recorder.send_signal(number)
        data = json.loads(recorder.communicate(timeout=60)[0])
    assert data["ended"] == "stopped by the user"
    assert data["samples"] % 32 == 0
    with h5py.File(data["capture"]) as file:
        assert json.loads(file.attrs["bye"]) == {"reason": "stop", "samples": data["samples"], "lost": 0}


def test_bad_input_gets_one_line_and_status_2(towertap, tmp_path):
    with SimulatedBox(None) as box:
        lines = [
            (towertap("--port", str(tmp_path / "none"), *OPTIONS, "--pass", "1"), "no such port"),
            (towertap("--port", box.port, *OPTIONS), "there is no terminal to ask on: --pass"),
            (towertap("--port", box.port, *OPTIONS, "--pass", "0"), "pass_number must be a whole number of at least 1"),
            (towertap("--port", box.port, *OPTIONS, "--pass", "1", "--mounting", "up"), "'up' is not a mounting"),
        ]
    for done, words in lines:
        assert done.returncode == 2
        assert words in done.err.splitlines()[-1]
        assert "Traceback" not in done.err
        assert done.out == ""
    assert list(tmp_path.iterdir()) == []


def test_questions_are_asked_and_keys_set_marks(tmp_path):
    """The complete dialogue on a pseudo-terminal: questions, Enter, a key, a text, Enter."""
    day = ["--vehicle", "minibus", "--part", "rubber", "--speed", "40", "--air-temperature", "11.5"]
    day += ["--box-position", "left tower", "--mounting", "x=+X,y=+Y,z=+Z", "--tyre-pressures", "250, 250, 300, 300"]
    write_sidecar(tmp_path / "before.ttraw", Conditions(road="moor-road", part="rubber", pass_number=3))
    (tmp_path / "before.ttraw").touch()
    with SimulatedBox(None, realtime=True) as box:
        terminal = Terminal("record", "--port", box.port, "--out", tmp_path, *day, "--json")
        for shown, keys in (
            ("Road: ", "moor-road\n"),
            (r"Number of this pass over the road with this part \(Enter: 4\): ", "none\n"),
            ("Error", "\n"),
            (r"Notes \(Enter: none\): ", "wet\n"),
            ("Press Enter to begin recording", "\n"),
            ("any other key marks", " "),
            ("marks +1", "t"),
            ("text +▏", "gate\r"),
            ("marks +2", "\r"),
        ):
            terminal.wait_for(shown)
            terminal.press(keys)
        data = json.loads(terminal.end()[1])
    assert (data["ended"], data["marks"]) == ("stopped by the user", 2)
    with h5py.File(data["capture"]) as file:
        assert [mark["text"] for mark in file["marks"]] == [b"mark 1", b"mark 1: gate"]
        conditions = json.loads(file.attrs["conditions"])
    assert (conditions["road"], conditions["pass_number"], conditions["notes"]) == ("moor-road", 4, "wet")
    assert conditions["air_temperature_c"] == 11.5


def test_the_next_pass_counts_recordings_of_the_same_road_and_part(tmp_path):
    for number, (road, part) in enumerate([("a", "x"), ("a", "x"), ("b", "x"), ("a", "y")], start=1):
        raw = tmp_path / f"{number}.ttraw"
        raw.touch()
        write_sidecar(raw, Conditions(road=road, part=part, pass_number=number))
    (tmp_path / "5.ttraw").touch()
    (tmp_path / "5.conditions.json").write_text("{")
    assert next_pass(tmp_path, "a", "x") == 3
    assert next_pass(tmp_path, "c", "x") == 1


def test_a_second_box_does_not_count_as_another_pass(tmp_path):
    raw = tmp_path / "sill.ttraw"
    raw.touch()
    write_sidecar(raw, Conditions(road="a", part="x", pass_number=1, box_position="sill"))
    assert next_pass(tmp_path, "a", "x", "arm") == 1
    assert next_pass(tmp_path, "a", "x", "sill") == next_pass(tmp_path, "a", "x") == 2


def test_the_box_refuses_a_rate_that_the_chip_does_not_have(tmp_path, towertap):
    with SimulatedBox(None, realtime=False) as box:
        done = towertap("--port", box.port, "--out", str(tmp_path), *OPTIONS, "--pass", "1", "--odr-hz", "3000")
    assert done.returncode == 2
    assert "ICM-42688-P cannot sample like that" in done.err
    assert "give a rate that its chip supports" in done.err
    assert list(tmp_path.glob("*.ttraw")) == []
