"""An archive takes recordings whole, knows them again, finds them by its files alone, and no text becomes a path."""

import gzip
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
from datetime import date

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.archive import store
from towertap.capture.conditions import Conditions, sidecar_path, write_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.errors import CallError, FileError


def tree(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_recording_goes_in_with_all_that_belongs_to_it(tmp_path, recording):
    capture = recording()
    raw = capture.with_suffix(".ttraw").read_bytes()
    record, is_new = store.add(tmp_path / "archive", capture)
    digest = hashlib.sha256(raw).hexdigest()
    folder = tmp_path / "archive" / f"quarry-lane_rubber_pass03_20260921T141320Z_{digest[:12]}"
    assert is_new
    assert record["raw"] == {"name": "drive.ttraw", "bytes": len(raw), "sha256": digest}
    assert gzip.decompress((folder / "raw.ttraw.gz").read_bytes()) == raw
    assert (folder / "capture.h5").read_bytes() == capture.read_bytes()
    assert (folder / "raw.conditions.json").read_bytes() == sidecar_path(capture).read_bytes()
    for name, entry in record["files"].items():
        assert entry["sha256"] == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    assert json.loads((folder / "record.json").read_text())["content"] == record
    assert (record["firmware"], record["schema_version"], record["samples"]) == ("0.1.0", "2.0", 4000)
    assert record["host"].startswith("towertap ")
    assert record["conditions"] == Conditions("minibus", "rubber", "quarry-lane", 3).to_dict()


def test_the_unpacked_raw_stream_decodes_where_it_lies(archive):
    folder = archive / store.names(archive)[0]
    raw = folder / "raw.ttraw"
    raw.write_bytes(gzip.decompress((folder / "raw.ttraw.gz").read_bytes()))
    with open_capture(decode_raw(raw, folder / "new.h5")) as new, open_capture(folder / "capture.h5") as old:
        assert new.conditions == old.conditions
        assert np.array_equal(new.file["acceleration"], old.file["acceleration"])


def test_packing_the_same_bytes_gives_the_same_bytes(tmp_path, recording):
    raw = recording().with_suffix(".ttraw")
    store.pack(raw, tmp_path / "one.gz")
    os.utime(raw, (1, 1))
    shutil.copy(raw, tmp_path / "other.ttraw")
    store.pack(tmp_path / "other.ttraw", tmp_path / "two.gz")
    assert (tmp_path / "one.gz").read_bytes() == (tmp_path / "two.gz").read_bytes()


def test_adding_twice_is_recognised_by_the_raw_bytes(archive, tmp_path, recording):
    before = tree(archive)
    again = recording("under-another-name", seed=1, road="somewhere else")
    record, is_new = store.add(archive, again)
    assert (record["conditions"]["road"], is_new) == ("bypass", False)
    assert tree(archive) == before


def test_a_raw_stream_alone_is_decoded(tmp_path, recording):
    capture = recording()
    capture.unlink()
    record, _ = store.add(tmp_path / "archive", capture.with_suffix(".ttraw"))
    with open_capture(tmp_path / "archive" / record["name"] / "capture.h5") as stored:
        assert stored.n_samples == 4000


def test_what_does_not_belong_together_is_refused_and_leaves_nothing(tmp_path, recording):
    archive = tmp_path / "archive"
    capture = recording()
    raw = capture.with_suffix(".ttraw")
    raw.write_bytes(raw.read_bytes() + b"more")
    with pytest.raises(FileError, match="made from other bytes"):
        store.add(archive, capture)
    raw.rename(tmp_path / "elsewhere.ttraw")
    with pytest.raises(CallError, match=r"drive\.ttraw is not beside it"):
        store.add(archive, capture)
    with pytest.raises(FileError, match="no such file"):
        store.add(archive, tmp_path / "nothing.h5")
    assert list(archive.iterdir()) == []


def test_a_killed_add_leaves_no_recording(tmp_path, recording):
    capture, archive = recording(), tmp_path / "archive"
    script = f"""
import os, signal
from pathlib import Path
from towertap.archive import store
store._describe = lambda *given: os.kill(os.getpid(), signal.SIGKILL)
store.add(Path({str(archive)!r}), Path({str(capture)!r}))
"""
    assert subprocess.run([sys.executable, "-c", script]).returncode == -signal.SIGKILL
    assert store.listing(archive).records == []
    _, is_new = store.add(archive, capture)
    assert is_new


def test_the_index_is_never_needed(archive):
    records = store.listing(archive).records
    index = archive / "index.json"
    whole = index.read_bytes()
    for spoiled in (None, b"", b"{", whole[:-20], whole.replace(b"bypass", b"byways"), b"[1]"):
        index.unlink() if spoiled is None else index.write_bytes(spoiled)
        assert store.listing(archive).records == records
        assert index.read_bytes() == (whole if spoiled is None else spoiled)  # a damaged one may tell of what is gone


def test_listing_any_folder_leaves_nothing_there(tmp_path):
    (tmp_path / "holidays").mkdir()
    assert "holidays" in store.listing(tmp_path).unreadable[0]
    assert [path.name for path in tmp_path.iterdir()] == ["holidays"]


def test_a_copied_folder_is_listed_and_a_removed_one_is_not(archive, tmp_path, recording):
    other = tmp_path / "other"
    record, _ = store.add(other, recording("third", seed=7, road="moor-road"))
    shutil.copytree(other / record["name"], archive / record["name"])
    assert record in store.listing(archive).records
    shutil.rmtree(archive / record["name"])
    assert record not in store.listing(archive).records


def test_a_record_that_cannot_be_read_is_told_and_the_others_are_listed(archive):
    spoiled, sound = store.names(archive)
    (archive / "index.json").unlink()
    (archive / spoiled / "record.json").write_text("{}")
    listing = store.listing(archive)
    assert [record["name"] for record in listing.records] == [sound]
    assert spoiled in listing.unreadable[0]


def test_an_archive_on_a_disk_that_cannot_be_written_is_listed(archive, monkeypatch):
    (archive / "index.json").unlink()

    def refuse(path):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(store, "whole_file", refuse)
    assert len(store.listing(archive).records) == 2


@given(
    texts=st.tuples(
        *[st.text(max_size=30) | st.sampled_from(["../../x", "/etc/passwd", "..", "CON", "a/b", "-rf"])] * 3
    )
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_text_becomes_a_path_outside(texts, tmp_path, by_hand):
    place = tmp_path / "inner"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    vehicle, part, road = (text.replace("\0", "") for text in texts)
    raw = place / "drive.ttraw"
    raw.write_bytes(b"".join(by_hand.recording(0.1)))
    write_sidecar(raw, Conditions(vehicle, part, road, 1), started_utc="../../2026")
    record, _ = store.add(place / "archive", raw)
    assert {path.name for path in tmp_path.iterdir()} == {"inner"}
    assert {path.name for path in (place / "archive").iterdir()} == {record["name"], "index.json"}
    assert set(record["name"]) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
    assert record["conditions"]["road"] == road


def test_links_in_an_archive_are_no_recordings(archive, tmp_path):
    (archive / "link").symlink_to(tmp_path)
    assert "link" not in store.names(archive)


def test_a_name_is_looked_up_and_never_followed(archive):
    names = store.names(archive)
    assert store.find(archive, "bypass")["name"] == names[0]
    assert store.find(archive, names[1])["name"] == names[1]
    assert store.find(archive, store.find(archive, "quarry")["raw"]["sha256"][:20].upper())["name"] == names[1]
    for name in ("../archive", "", "nothing", "/"):
        with pytest.raises(CallError, match="archive list"):
            store.find(archive, name)


def test_filters(recording, tmp_path):
    archive = tmp_path / "archive"
    drives = [("rubber", "bypass", "2026-09-21T23:30:00+00:00"), ("stiff", "bypass", "2026-09-22T01:30:00+02:00")]
    drives += [("stiff", "moor-road", "2026-10-01T08:00:00Z"), ("stiff", "moor-road", "")]
    for seed, (part, road, started_utc) in enumerate(drives):
        store.add(archive, recording(f"drive{seed}", seed=seed, part=part, road=road, started_utc=started_utc))
    held = store.listing(archive).records

    def found(**how):
        return len(store.select(held, **how))

    assert (found(), found(part="STIFF"), found(part="stiff", road="bypass"), found(vehicle="lorry")) == (4, 3, 1, 0)
    # 01:30 two hours east of Greenwich is 23:30 of the day before in UTC
    assert found(since=date(2026, 9, 21), until=date(2026, 9, 21)) == 2
    assert (found(since=date(2026, 9, 22)), found(until=date(2026, 9, 30))) == (1, 2)
