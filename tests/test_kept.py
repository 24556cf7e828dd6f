"""Kept results equal computed ones, and are never used if anything has changed."""

from __future__ import annotations

import json
import os
import shutil
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from towertap import kept
from towertap.bench.records import BoxSetup, Record, write
from towertap.capture.conditions import Conditions
from towertap.cli import analyse
from towertap.compare.drives import reading
from towertap.compare.drives.folder import read_passes
from towertap.compare.drives.reading import PassReader, ReadTask
from towertap.compare.plan.pilot import load_pilot
from towertap.kept import FOLDER, Kept

NAMES = ("--before", "rubber", "--after", "polyurethane", "--smooth", "bypass")


@pytest.fixture
def folder(recorded, tmp_path):
    """Copies of the recorded captures that a test may change, without kept results."""
    copies = tmp_path / "drives"
    copies.mkdir()
    for path in recorded.folder.glob("*.h5"):
        shutil.copy(path, copies)
    return copies


@pytest.fixture
def reads(monkeypatch):
    """Names of the captures read so far."""
    names = []
    opened = reading.open_capture

    def counted(path):
        names.append(path.name)
        return opened(path)

    monkeypatch.setattr(reading, "open_capture", counted)
    return names


def test_kept_results_give_the_same_answer_to_the_last_digit(run, folder, reads, tmp_path):
    first = run("compare", folder, *NAMES, "--report", tmp_path / "first", "--json")
    assert len(reads) == 12
    second = run("compare", folder, *NAMES, "--report", tmp_path / "second", "--json")
    assert len(reads) == 12, "nothing was read again"
    third = run("compare", folder, *NAMES, "--report", tmp_path / "third", "--json", "--fresh")
    assert len(reads) == 24
    answers = [json.loads(out) | {"report": None} for _, out, _ in (first, second, third)]
    assert answers[0] == answers[1] == answers[2]
    pages = [(tmp_path / name / "report.html").read_text("utf-8") for name in ("first", "second")]
    assert [page.count("<img") for page in pages] == [pages[0].count("<img")] * 2


def test_analyse_gives_the_same_again(run, folder, monkeypatch):
    capture = sorted(folder.glob("*.h5"))[0]
    first = run("analyse", capture)
    table = capture.with_suffix(".windows.csv").read_bytes()
    monkeypatch.setattr(analyse, "analyse_capture", None)
    assert run("analyse", capture) == first
    assert capture.with_suffix(".windows.csv").read_bytes() == table


def test_wear_and_pilots_share_kept_results(folder, reads):
    spread = load_pilot(folder, "acceleration_z", ["quarry-lane"])
    assert len(reads) == 6
    assert load_pilot(folder, "acceleration_z", ["quarry-lane"]).sd == spread.sd
    read_passes(sorted(folder.glob("quarry*.h5")), [])
    assert len(reads) == 6


def test_a_result_is_recomputed_if_anything_it_depends_on_changes(folder, reads, monkeypatch):
    path = sorted(folder.glob("quarry*.h5"))[0]

    def read(**settings):
        before = len(reads)
        PassReader({}, **settings).read_all([ReadTask(path)])
        return len(reads) - before

    assert [read(), read()] == [1, 0]
    assert [read(whole=True), read(whole=True)] == [1, 0], "settings"
    assert [read(), read()] == [1, 0]
    write(Record("tap", BoxSetup("another", "", 1, 16, None), "", None, "", {}), folder / "bench")
    assert [read(), read()] == [1, 0], "bench records"
    monkeypatch.setattr(kept, "_program", lambda: "another version")
    assert [read(), read()] == [1, 0], "the program"
    with path.open("r+b") as file:  # after the last byte that HDF5 reads
        file.seek(0, os.SEEK_END)
        file.write(b"\0")
    assert [read(), read()] == [1, 0], "the capture"


def test_a_bit_flipped_at_any_of_200_places_is_noticed(tmp_path):
    capture, kind = tmp_path / "drive.h5", tuple[dict[str, np.ndarray], Conditions]
    capture.write_bytes(b"counts")
    rng = np.random.default_rng(3)
    Kept(capture, "use", ()).keep(({"values": rng.standard_normal(1000)}, Conditions("minibus")))
    (result,) = (tmp_path / FOLDER).iterdir()
    sound = result.read_bytes()
    for place in [0, 31, 32, 63, 64, len(sound) - 1, *rng.integers(0, len(sound), 194).tolist()]:
        spoilt = bytearray(sound)
        spoilt[place] ^= 1 << rng.integers(8)
        result.write_bytes(spoilt)
        assert Kept(capture, "use", ()).look_up(kind) is None, place
    for part in (b"", sound[:40], sound[:-1], sound + b"\0"):
        result.write_bytes(part)
        assert Kept(capture, "use", ()).look_up(kind) is None
    result.write_bytes(sound)
    assert Kept(capture, "use", ()).look_up(kind)[1] == Conditions("minibus")


def test_a_pipe_in_place_of_a_result_is_not_waited_for(tmp_path):
    capture = tmp_path / "drive.h5"
    capture.write_bytes(b"counts")
    Kept(capture, "use", ()).keep([1.0])
    (result,) = (tmp_path / FOLDER).iterdir()
    result.unlink()
    os.mkfifo(result)
    assert Kept(capture, "use", ()).look_up(list[float]) is None


def test_a_pass_whose_kept_result_is_damaged_is_read_again(folder, reads):
    path = sorted(folder.glob("*.h5"))[0]
    PassReader({}).read_all([ReadTask(path)])
    (result,) = (folder / FOLDER).iterdir()
    sound = result.read_bytes()
    result.write_bytes(sound[:1000] + bytes([sound[1000] ^ 4]) + sound[1001:])
    PassReader({}).read_all([ReadTask(path)])
    assert (len(reads), result.read_bytes() == sound) == (2, True)


def test_a_capture_that_changes_while_it_is_read_is_not_kept(tmp_path):
    capture = tmp_path / "drive.h5"
    capture.write_bytes(b"before")
    entry = Kept(capture, "use", ())
    capture.write_bytes(b"after")
    entry.keep([1.0])
    assert Kept(capture, "use", ()).look_up(list[float]) is None


def test_concurrent_keepers_of_one_result_do_not_damage_it(tmp_path):
    capture = tmp_path / "drive.h5"
    capture.write_bytes(b"counts")
    values = np.arange(100_000.0)

    def keep(number):
        Kept(capture, "use", ()).keep({"values": values})
        return Kept(capture, "use", ()).look_up(dict[str, np.ndarray])["values"].sum()

    with ThreadPoolExecutor(8) as several:
        assert set(several.map(keep, range(64))) == {values.sum()}
    assert len(list((tmp_path / FOLDER).iterdir())) == 1


@pytest.mark.parametrize("why", ["archived", "no right to write"])
def test_the_users_cache_is_used_where_nothing_may_be_added(tmp_path, monkeypatch, why):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    folder = tmp_path / "drives"
    folder.mkdir()
    capture = folder / "capture.h5"
    capture.write_bytes(b"counts")
    if why == "archived":
        (folder / "record.json").write_text("{}")
    else:
        (folder / FOLDER).write_text("a file where the folder would be")
    there = sorted(folder.iterdir())
    Kept(capture, "use", ()).keep("result")
    assert Kept(capture, "use", ()).look_up(str) == "result"
    assert sorted(folder.iterdir()) == there
    assert len(list((tmp_path / "cache" / "towertap").iterdir())) == 1
