"""Input may be anything: every command answers in one line and in time, and no input controls the terminal."""

import json
import os
import resource
import signal
import subprocess

import h5py
import numpy as np
import pytest
from towertap.capture import schema
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.exchange.exports import EXPORTS

from tests.archives import add
from tests.conftest import TOWERTAP

ESCAPES = "\x1b[2J\x1b]0;sound\x07\r\x9b31m[/b][green]\u202e$\\frac$"
"""Clears the screen, sets a title, returns the carriage, colours, reverses the writing direction, looks like markup."""
SIDES = ("--before", "soft", "--after", "stiff", "--smooth", "bypass")
OPTIONS = ["--vehicle", "a", "--part", "b", "--road", "c", "--pass", "1", "--mounting", "x=+X,y=+Y,z=+Z"]


@pytest.fixture(autouse=True)
def ten_seconds():
    """A test that takes longer than ten seconds fails."""

    def hang(number, frame):
        raise AssertionError("ten seconds are over")

    before = signal.signal(signal.SIGALRM, hang)
    signal.alarm(10)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture
def strange(tmp_path):
    """Paths that are not regular files: a pipe without a writer, an endless device, a link to itself, a long name.

    The first three exist with each suffix, too.
    """
    for suffix in ("", ".csv", ".wav", ".mat", ".mf4"):
        os.mkfifo(tmp_path / f"pipe{suffix}")
        (tmp_path / f"loop{suffix}").symlink_to(f"loop{suffix}")
        (tmp_path / f"zero{suffix}").symlink_to("/dev/zero")
    return [*(tmp_path / name for name in ("pipe", "zero", "loop", "x" * 300)), "/dev/zero"]


CALLS = {
    "check": ("check", "{}"),
    "decode": ("decode", "{}", "--out", "{folder}/new.h5"),
    "analyse": ("analyse", "{}", "--out", "{folder}/new.csv"),
    "archive add": ("archive", "add", "{folder}/archive", "{}"),
    "archive list": ("archive", "list", "{}"),
    "archive take": ("archive", "take", "{}", "drive", "--to", "{folder}"),
    "archive verify": ("archive", "verify", "{}"),
    "record --plan": ("record", "--plan", "{}", *OPTIONS),
    "show": ("show", "{}"),
    "simbox": ("simbox", "{}"),
    "compare": ("compare", "{}", *SIDES),
    "compare --plan": ("compare", "{folder}", "--plan", "{}"),
    "compare --speed": ("compare", "{folder}", *SIDES, "--speed", "{}"),
    "correct": ("correct", "{}", "--road", "lane"),
    "drop": ("drop", "{}", "--reason", "gave way"),
    "export": ("export", "{}", "--to", ".csv"),
    "import .csv": ("import", "{}.csv", "--out", "{folder}/new.h5"),
    "import .wav": ("import", "{}.wav", "--out", "{folder}/new.h5"),
    "import .mat": ("import", "{}.mat", "--out", "{folder}/new.h5"),
    "import .mf4": ("import", "{}.mf4", "--out", "{folder}/new.h5"),
    "list": ("list", "{}"),
    "list --plan": ("list", "{folder}", "--plan", "{}"),
    "listen": ("listen", "{}", "{capture}", "--out", "{folder}/new.wav"),
    "listen, after": ("listen", "{capture}", "{}", "--out", "{folder}/new.wav"),
    "wear": ("wear", "{}", "--part", "soft", "--smooth", "bypass"),
}
"""Command → its call with a path that is not a regular file."""


@pytest.mark.parametrize("call", CALLS)
def test_a_path_that_is_no_regular_file_is_refused_in_one_line_at_once(call, strange, make_capture, tmp_path, refused):
    capture = make_capture()
    for path in strange:
        words = [word.format(path, capture=capture, folder=tmp_path) for word in CALLS[call]]
        err = refused(*words)
        assert str(path) in err


WRITING = {
    "decode": ("decode", "{raw}", "--out", "{}.h5"),
    "analyse": ("analyse", "{capture}", "--whole", "--out", "{}.csv"),
    "export": ("export", "{capture}", "--to", "{}.csv", "--counts"),
    "import": ("import", "{table}", "--out", "{}.h5"),
    "listen": ("listen", "{capture}", "{capture}", "--out", "{}.wav"),
    "show": ("show", "{capture}", "--out", "{}.png"),
}


@pytest.mark.parametrize("call", WRITING)
def test_a_path_that_is_no_regular_file_is_not_overwritten(call, make_capture, by_hand, tmp_path, refused):
    capture = make_capture(by_hand.recording(6), conditions=Conditions(mounting="x=+X,y=+Y,z=+Z"))
    (tmp_path / "table.csv").write_text("t,ax,ay,az\n" + "".join(f"{k / 100},0,0,9.8\n" for k in range(50)))
    for suffix in (".h5", ".csv", ".wav", ".png"):
        os.mkfifo(tmp_path / f"pipe{suffix}")
        (tmp_path / f"zero{suffix}").symlink_to("/dev/zero")
    for name in ("pipe", "zero"):
        names = {"raw": capture.with_suffix(".ttraw"), "capture": capture, "table": tmp_path / "table.csv"}
        words = [word.format(tmp_path / name, **names) for word in WRITING[call]]
        err = refused(*words)
        assert "not replaced" in err
    assert all(path.is_fifo() for path in tmp_path.glob("pipe*"))


def test_a_sidecar_that_is_a_pipe_is_refused_at_once(make_capture, tmp_path, run):
    raw = make_capture().with_suffix(".ttraw")
    os.mkfifo(raw.with_suffix(".conditions.json"))
    status, _, err = run("decode", raw, "--out", tmp_path / "new.h5")
    assert (status, err.count("\n"), "not a regular file" in err) == (2, 1, True)


def test_numbers_that_are_not_finite_are_refused_with_the_name_of_the_option(refused):
    for *words, option, number in (
        ("record", *OPTIONS, "--seconds", "nan"),
        ("record", *OPTIONS, "--speed", "9" * 400),
        ("record", *OPTIONS, "--air-temperature", "nan"),
        ("correct", "drive.h5", "--speed", "9" * 400),
        ("import", "drive.csv", "--rate", "nan"),
        ("import", "drive.csv", "--range", "nan"),
        ("listen", "drive.h5", "drive.h5", "--seconds", "nan"),
    ):
        err = refused(*words, option, number)
        assert f"{option}: {float(number)} is not a finite number" in err or "is not a " in err, err


@pytest.mark.parametrize("path", [".", "/", "", ".."])
@pytest.mark.parametrize("command", ["analyse", "check", "decode", "import", "show", "export", "correct", "drop"])
def test_a_folder_is_refused_whatever_its_name(command, path, tmp_path, monkeypatch, refused):
    monkeypatch.chdir(tmp_path)
    options = {"export": ("--to", ".csv"), "correct": ("--road", "lane"), "drop": ("--reason", "gave way")}
    err = refused(command, path, *options.get(command, ()))
    assert f"{path or '.'}: " in err
    assert "a folder" in err or "cannot be read from" in err


@pytest.fixture
def little_room():
    """Files are limited to 20 kB."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("suffix", EXPORTS)
def test_a_full_disk_is_named_with_what_to_do(suffix, tmp_path, make_capture, by_hand, request, refused):
    """setrlimit(2): writing beyond RLIMIT_FSIZE fails with EFBIG, as a full disk does with ENOSPC."""
    capture = make_capture(by_hand.recording(6), conditions=Conditions(mounting="x=+X,y=+Y,z=+Z"))
    before = {*tmp_path.iterdir()}
    request.getfixturevalue("little_room")
    err = refused("export", capture, "--to", tmp_path / f"large{suffix}")
    assert err == (
        f"towertap: {tmp_path}/large{suffix}: File too large; free some space there, or name a place on another disk\n"
    )
    assert {*tmp_path.iterdir()} == before


def test_an_archive_without_room_is_named(tmp_path, make_capture, by_hand, request, refused):
    capture = make_capture(by_hand.recording(6))
    request.getfixturevalue("little_room")
    err = refused("archive", "add", tmp_path / "archive", capture)
    assert err.startswith(f"towertap: {tmp_path}/archive: File too large; free some space there")


@pytest.mark.parametrize("text", ["[" * 30_000, "a." * 8_000 + "a = 1", "speed_kmh = 1" + "0" * 400, "speed_kmh = inf"])
def test_hostile_toml_is_one_line(text, monkeypatch, tmp_path, refused):
    path = tmp_path / "settings.toml"
    path.write_text(text)
    monkeypatch.setenv("TOWERTAP_SETTINGS", str(path))
    refused("settings")


def hostile_capture(make_capture, by_hand, tmp_path):
    fault = json.dumps({"fault": ESCAPES, "detail": ESCAPES}).encode()
    frames = by_hand.recording(2)
    frames[0] = by_hand.hello(serial=ESCAPES, firmware=ESCAPES, board=ESCAPES, chip=ESCAPES)
    frames.insert(9, by_hand.frame(4, fault, first=256, clock=70_000))
    write_sidecar(
        tmp_path / "drive.ttraw", Conditions(ESCAPES, ESCAPES, ESCAPES, 1, notes=ESCAPES), started_utc=ESCAPES
    )
    path = make_capture(by_hand.numbered(frames))
    with h5py.File(path, "r+") as file:
        schema.set_attributes(file, {"written_by": ESCAPES, "schema_version": "3.0"})
    return path


def test_nothing_in_a_file_controls_the_terminal(make_capture, by_hand, tmp_path, run, monkeypatch):
    path = hostile_capture(make_capture, by_hand, tmp_path)
    archive, logger = tmp_path / "archive", tmp_path / "logger.csv"
    logger.write_text(f"t,ax{ESCAPES.strip()},ay,az".replace("\r", "") + "\n0,0,0,9.8\n0.01,0,0,9.8\n0.02,0,0,9.8\n")
    monkeypatch.setenv("TOWERTAP_ARCHIVE", ESCAPES)
    said = []
    for words in (
        ("check", path),
        ("archive", "add", archive, path),
        ("archive", "list", archive),
        ("archive", "show", archive, "un"),
        ("archive", "verify", archive),
        ("decode", path.with_suffix(".ttraw"), "--out", tmp_path / "new.h5"),
        ("list", tmp_path),
        ("export", path, "--to", ".csv", "--counts"),
        ("drop", path, "--reason", ESCAPES),
        ("list", tmp_path),
        ("show", path),
        ("correct", path, "--road", f"lane{ESCAPES}"),
        ("import", logger, "--acceleration", f"ax{ESCAPES},ay,az"),
        ("import", logger, "--unit", ESCAPES),
        ("listen", path, path, "--out", tmp_path / f"{ESCAPES}.wav"),
        ("settings",),
        ("completion", ESCAPES),
    ):
        said += run(*words)[1:]
    text = "".join(said)
    assert not {"\x1b", "\x07", "\r", "\x9b", "\u202e"} & set(text)
    assert "\u241b[2J" in text
    assert "[/b][green]" in text


def test_an_error_shows_control_characters_as_symbols(run):
    status, _, err = run("check", "no\x1b[2Jsuch\nfile")
    assert (status, err) == (2, "towertap: no\u241b[2Jsuch file: no such file; give a capture (.h5)\n")


@pytest.mark.parametrize("words", [("check", "drive.h5"), ("list", "."), ("completion", "bash")])
def test_an_answer_that_cannot_be_written_is_status_2_and_no_traceback(words, make_capture, tmp_path, monkeypatch):
    signal.alarm(60)  # three processes, each with its imports
    make_capture()
    monkeypatch.chdir(tmp_path)
    command = [*TOWERTAP, *words]
    for way in (">&-", ">/dev/full"):
        done = subprocess.run(["sh", "-c", f'"$0" "$@" {way}', *command], capture_output=True, text=True)
        assert done.returncode == 2, (way, done.stderr)
        assert (done.stderr.count("\n"), done.stdout) == (1, ""), (way, done.stderr)
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True)
    os.close(write)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)


def test_a_foreign_hdf5_file_is_not_replaced_by_a_capture(make_capture, tmp_path, run):
    raw = make_capture().with_suffix(".ttraw")
    with h5py.File(tmp_path / "year.h5", "w") as file:
        file["results"] = np.arange(5)
    before = (tmp_path / "year.h5").read_bytes()
    status, out, err = run("decode", raw, "--out", tmp_path / "year.h5")
    assert (status, out, "not a capture: not replaced" in err) == (2, "", True)
    assert (tmp_path / "year.h5").read_bytes() == before
    cut = tmp_path / "cut.h5"
    cut.write_bytes(make_capture().read_bytes()[:-5000])
    # "decode the raw recording again" is what a damaged capture asks for
    assert run("decode", raw, "--out", cut)[0] == 0


def test_decoding_a_capture_says_that_it_is_one(make_capture, run):
    path = make_capture()
    before = path.read_bytes()
    status, _, err = run("decode", path)
    assert (status, "a capture or another HDF5 file" in err) == (2, True)
    raw = path.with_suffix(".ttraw")
    status, _, err = run("decode", raw, "--out", raw)
    assert (status, "would overwrite the raw recording" in err) == (2, True)
    assert path.read_bytes() == before


def test_a_capture_of_an_archive_stays_as_it_was_added(make_capture, by_hand, tmp_path, run, monkeypatch):
    """`analyse` writes its table into the current folder, not into the archive."""
    added = add(tmp_path / "archive", make_capture(by_hand.recording(6)))
    monkeypatch.chdir(tmp_path)
    capture = tmp_path / "archive" / added.name / "capture.h5"
    assert run("analyse", capture, "--mounting", "x=+X,y=+Y,z=+Z", "--whole")[0] == 0
    assert run("archive", "verify", tmp_path / "archive")[0] == 0
    assert [path.name for path in tmp_path.glob("*windows.csv")] == [f"{added.name}.windows.csv"]


def test_one_hostile_capture_is_left_out_of_a_comparison_and_named(drive_folder, tmp_path, answer):
    for path in drive_folder.glob("*.h5"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    spoiled = tmp_path / "quarry-lane-soft-1.h5"
    with h5py.File(spoiled, "r+") as file:
        schema.set_attributes(file, {"conditions": '{"speed_kmh": 1' + 400 * "0" + "}"})
    signal.alarm(60)
    (left_out,) = answer("compare", tmp_path, "--before", "soft", "--after", "stiff", "--smooth", "bypass")["excluded"]
    assert left_out["capture"] == "quarry-lane-soft-1"
    assert "a number that is not finite or too large" in left_out["reason"]
