"""What comes out of an archive equals what was added, byte for byte, and can be added again."""

from __future__ import annotations

import gzip
import json
import os
import resource
import signal

import numpy as np
import pytest
from towertap.archive import record as records
from towertap.archive import store, taking
from towertap.archive.taking import take
from towertap.archive.verify import verify
from towertap.capture.conditions import Conditions, sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.errors import CallError, FileError
from towertap.exchange.imports import import_file

from tests.archives import add


def test_a_recording_comes_out_complete_and_can_be_added_again(tmp_path, recording):
    capture = recording()
    archive, out = tmp_path / "archive", tmp_path / "out" / "of"
    added = add(archive, capture)
    files = take(archive, added.name[:12], out)
    assert [path.name for path in files] == [
        f"{added.name}{suffix}" for suffix in (".h5", ".conditions.json", ".ttraw", ".record.json")
    ]
    taken = {path.suffixes[-1]: path.read_bytes() for path in files if "json" not in path.name}
    assert taken[".ttraw"] == capture.with_suffix(".ttraw").read_bytes()
    assert taken[".h5"] == capture.read_bytes()
    assert files[1].read_bytes() == sidecar_path(capture).read_bytes()
    assert add(tmp_path / "other", files[0]).how == "added"
    assert add(archive, files[0]).how == "there already"
    assert verify(archive).problems == []


def test_the_history_of_its_conditions_comes_with_it(tmp_path, recording):
    capture = recording()
    archive = tmp_path / "archive"
    add(archive, capture)
    decode_raw(capture.with_suffix(".ttraw"), capture, Conditions("minibus", "stiff", "bypass", 3))
    assert add(archive, capture).how == "corrected"
    *_, record = take(archive, "quarry", tmp_path)
    history = json.loads(record.read_text())["content"]["history"]
    assert [entry["conditions"]["part"] for entry in history] == ["rubber"]
    with open_capture(record.with_name(record.name.replace(".record.json", ".h5"))) as taken:
        assert taken.conditions.part == "stiff"


def test_nothing_is_replaced_and_nothing_damaged_comes_out(archive, tmp_path):
    out = tmp_path / "out"
    files = take(archive, "bypass", out)
    with pytest.raises(CallError, match="already exists: not replaced"):
        take(archive, "bypass", out)
    for path in files:
        path.unlink()
    stored = archive / files[0].stem / "raw.ttraw.gz"
    content = gzip.decompress(stored.read_bytes())
    for broken in (b"junk", gzip.compress(content[:-1]), gzip.compress(content + b"more"), gzip.compress(bytes(2**22))):
        stored.write_bytes(broken)
        with pytest.raises(FileError, match="not as it was added"):
            take(archive, "bypass", out)
        assert [*out.iterdir()] == []


def test_a_full_disk_is_not_blamed_on_the_archive(archive, tmp_path):
    """The system's limit on file sizes simulates the disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        with pytest.raises(FileError, match="out: File too large; free some space"):
            take(archive, "bypass", tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert [*(tmp_path / "out").iterdir()] == []


@pytest.mark.parametrize("file", [*records.FILES, "record.json"])
@pytest.mark.parametrize("kind", ["a pipe", "a link"])
def test_only_regular_files_are_copied(kind, file, archive, tmp_path):
    stored = archive / store.find(archive, "bypass")["name"] / file
    stored.rename(tmp_path / "moved")
    os.mkfifo(stored) if kind == "a pipe" else stored.symlink_to(tmp_path / "moved")

    def too_long(*_):
        raise AssertionError("it waits for the pipe")  # no OSError, which may be taken for damage

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(20)
    try:
        with pytest.raises(FileError, match=file):
            take(archive, "bypass", tmp_path / "out")
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def test_old_work_folders_of_killed_takes_are_removed(archive, tmp_path):
    left = tmp_path / ".taking-old"
    left.mkdir()
    os.utime(left, (1, 1))
    take(archive, "bypass", tmp_path)
    assert not left.exists()


def test_an_imported_capture_is_kept_with_its_file(tmp_path, answer):
    table = np.column_stack([np.arange(800) / 200, np.random.default_rng(1).normal([0, 0, 9.8], 1, (800, 3))])
    logger = tmp_path / "logger 7.csv"
    np.savetxt(logger, table, delimiter=",", header="t,ax,ay,az", comments="")
    import_file(logger, tmp_path / "drive.h5", given={"part": "rubber", "road": "bypass", "pass_number": 1})
    archive = tmp_path / "archive"
    added = add(archive, tmp_path / "drive.h5")
    assert added.name.startswith("bypass_rubber_pass01_undated_")
    assert verify(archive).problems == []
    taken = answer("archive", "take", archive, "bypass", "--to", tmp_path / "out")
    capture, raw, _ = (tmp_path / "out" / f"{added.name}{end}" for end in (".h5", ".csv", ".record.json"))
    assert set(taken["files"]) == {str(capture), str(raw), str(_)}
    assert raw.read_bytes() == logger.read_bytes()
    assert add(archive, capture).how == "there already"  # its file is next to it, named after the recording
    logger.unlink()
    with pytest.raises(CallError, match=r"logger 7\.csv|drive\.csv"):
        add(archive, tmp_path / "drive.h5")


@pytest.mark.parametrize("name", ["drive.h5", "drive", "drive.a b", "drive.\0", "..", 7])
def test_a_raw_recording_without_a_suffix_of_its_own_is_called_as_a_boxs(archive, tmp_path, monkeypatch, name):
    """A record is untrusted input: the name in it may be anything."""
    record = taking.read_record(next(archive.glob("bypass*")))
    record["raw"]["name"] = name
    monkeypatch.setattr(taking, "read_record", lambda stored: record)
    assert [path.suffix for path in take(archive, "bypass", tmp_path)].count(".ttraw") == 1


def test_an_archive_in_the_settings_need_not_be_named(tmp_path, recording, run, monkeypatch):
    capture = recording()
    status, _, err = run("archive", "list")
    assert (status, err.count("\n"), "'towertap archive list ARCHIVE'" in err) == (2, 1, True)
    monkeypatch.setenv("TOWERTAP_ARCHIVE", str(tmp_path / "archive"))
    assert run("archive", "add", capture)[0] == 0
    for words in (("list",), ("verify",), ("take", "quarry", "--to", tmp_path / "out")):
        status, out, _ = run("archive", *words)
        assert (status, "quarry-lane" in out or "1 recording" in out) == (0, True)
    assert run("archive", "take", "a", "b", "c")[0] == 2
