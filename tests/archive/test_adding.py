"""An archive adds recordings completely, recognises them, restores files from them, and never accepts damage."""

import gzip
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from towertap.amendments import strike_out, take_back
from towertap.archive import adding, store
from towertap.archive import record as records
from towertap.archive.verify import verify
from towertap.bench.records import bench_folder
from towertap.capture.conditions import Conditions, sidecar_path, write_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.errors import CallError, FileError

from tests.archive.conftest import put
from tests.archives import add
from tests.by_hand import plain_counts


def tree(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_recording_is_added_with_all_its_files(tmp_path, recording):
    capture = recording()
    raw = capture.with_suffix(".ttraw").read_bytes()
    record, is_new = put(tmp_path / "archive", capture)
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
    assert (record["firmware"], record["schema_version"], record["samples"]) == ("0.1.0", "4.0", 4000)
    assert record["host"].startswith("towertap ")
    assert record["conditions"] == Conditions("minibus", "rubber", "quarry-lane", 3).to_dict()


def test_the_decompressed_raw_stream_decodes_in_place(archive):
    folder = archive / store.names(archive)[0]
    raw = folder / "raw.ttraw"
    raw.write_bytes(gzip.decompress((folder / "raw.ttraw.gz").read_bytes()))
    with open_capture(decode_raw(raw, folder / "new.h5")) as new, open_capture(folder / "capture.h5") as old:
        assert new.conditions == old.conditions
        assert np.array_equal(plain_counts(new.file, "acceleration"), plain_counts(old.file, "acceleration"))


def test_compression_is_reproducible(tmp_path, recording):
    raw = recording().with_suffix(".ttraw")
    digest = hashlib.sha256(raw.read_bytes()).hexdigest()
    adding._pack(raw, tmp_path / "one.gz", digest)
    os.utime(raw, (1, 1))
    shutil.copy(raw, tmp_path / "other.ttraw")
    adding._pack(tmp_path / "other.ttraw", tmp_path / "two.gz", digest)
    assert (tmp_path / "one.gz").read_bytes() == (tmp_path / "two.gz").read_bytes()


def test_adding_twice_is_recognised_by_the_raw_bytes(archive, recording):
    before = tree(archive)
    again = recording("under-another-name", seed=1, road="bypass")
    record, is_new = put(archive, again)
    assert (record["conditions"]["road"], is_new) == ("bypass", False)
    assert tree(archive) == before


def test_corrected_conditions_replace_the_old_ones_which_stay_in_the_history(archive, recording):
    """A wrong part, corrected by decoding again with the right one, also in the archived sidecar."""
    again = recording("drive1", seed=1, road="bypass")
    decode_raw(again.with_suffix(".ttraw"), again, Conditions("minibus", "stiff", "bypass", 3))
    added = add(archive, again)
    record = records.read_record(archive / added.name)
    assert (added.how, record["conditions"]["part"]) == ("corrected", "stiff")
    (before,) = record["history"]
    assert before["conditions"]["part"] == "rubber"
    with open_capture(archive / added.name / "capture.h5") as capture:
        assert capture.conditions.part == "stiff"
    assert json.loads((archive / added.name / "raw.conditions.json").read_text())["conditions"]["part"] == "stiff"
    assert verify(archive).problems == []
    assert store.select(store.listing(archive).records, part="stiff") == [record]
    assert add(archive, again).how == "there already"
    again.unlink()  # the raw recording alone, whose own sidecar has the condition of before
    assert add(archive, again.with_suffix(".ttraw")).how == "corrected"
    history = records.read_record(archive / added.name)["history"]
    assert [entry["conditions"]["part"] for entry in history] == ["rubber", "stiff"]


def test_a_sidecar_that_differs_from_its_capture_is_reported(archive, recording):
    again = recording("drive1", seed=1, road="bypass")
    write_sidecar(again.with_suffix(".ttraw"), Conditions("minibus", "stiff", "bypass", 3))
    assert add(archive, again).how.startswith("there already; its .conditions.json differs from its capture")


def test_a_killed_correction_is_repaired_by_adding_again(archive, recording, monkeypatch):
    again = recording("drive1", seed=1, road="bypass", part="stiff")
    with monkeypatch.context() as patch:
        patch.setattr(adding, "seal", lambda content: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            add(archive, again)
    assert verify(archive).problems != []
    assert add(archive, again).how == "corrected"
    assert verify(archive).problems == []


def gone(path):
    path.unlink()


def flipped(path):
    content = path.read_bytes()
    path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))


def a_pipe(path):
    path.unlink()
    os.mkfifo(path)


def a_link(path):
    path.unlink()
    path.symlink_to("/etc/hostname")


@pytest.mark.parametrize("harm", [gone, flipped, a_pipe, a_link])
@pytest.mark.parametrize("file", records.FILES)
def test_adding_again_restores_missing_and_damaged_files(file, harm, archive, recording):
    again, before = recording("drive1", seed=1, road="bypass"), tree(archive)
    harm(archive / store.find(archive, "bypass")["name"] / file)
    assert [problem.file for problem in verify(archive).problems] == [file]
    added = add(archive, again)
    assert (added.how, added.put_back) == ("there already", (file,))
    assert tree(archive) == before
    assert verify(archive).problems == []


def test_a_missing_file_that_cannot_be_restored_is_named(archive, recording):
    folder = archive / store.find(archive, "bypass")["name"]
    again = recording("drive1", seed=1, road="bypass")
    sidecar_path(again).unlink()
    (folder / "raw.conditions.json").unlink()
    with pytest.raises(
        FileError, match=r"raw\.conditions\.json: missing, .*cannot replace it; 'towertap archive verify'"
    ):
        add(archive, again)
    raw = recording("drive1", seed=1, road="bypass").with_suffix(".ttraw")
    assert add(archive, raw).put_back == ("raw.conditions.json",)
    raw.with_suffix(".h5").unlink()
    sidecar_path(raw).unlink()  # the raw stream alone says nothing of the drive, as the capture did that is gone
    (folder / "capture.h5").unlink()
    with pytest.raises(FileError, match=r"capture\.h5: missing, .*cannot replace it"):
        add(archive, raw)
    (folder / "record.json").unlink()
    with pytest.raises(FileError, match=r"record\.json: no such file; give the one that .* from a copy"):
        add(archive, raw)


def test_a_correction_accepts_no_damage(archive, recording):
    folder = archive / store.find(archive, "bypass")["name"]
    again = recording("drive1", seed=1, road="bypass", part="stiff")
    sidecar_path(again).unlink()
    flipped(folder / "raw.conditions.json")
    before = tree(archive)
    with pytest.raises(FileError, match="towertap archive verify"):
        add(archive, again)
    assert tree(archive) == before
    assert [problem.file for problem in verify(archive).problems] == ["raw.conditions.json"]


def test_a_correction_restores_a_missing_raw_stream(archive, recording):
    again = recording("drive1", seed=1, road="bypass", part="stiff")
    (archive / store.find(archive, "bypass")["name"] / "raw.ttraw.gz").unlink()
    added = add(archive, again)
    assert (added.how, added.put_back) == ("corrected", ("raw.ttraw.gz",))
    assert verify(archive).problems == []


def test_a_recording_with_two_labels_in_one_call_is_refused_and_a_later_correction_accepted(tmp_path, recording):
    archive = tmp_path / "archive"
    first, second = (recording(f"drive{part}", seed=5, part=part) for part in ("rubber", "stiff"))
    with pytest.raises(FileError, match=r"drivestiff\.h5: the same recording as .*driverubber\.h5, but with different"):
        list(adding.add_all(archive, [first, second]))
    (name,) = store.names(archive)
    assert records.read_record(archive / name)["conditions"]["part"] == "rubber"
    assert [added.how for added in adding.add_all(archive, [first, first.with_suffix(".ttraw")])] == [
        "there already"
    ] * 2
    assert add(archive, second).how == "corrected"


def test_a_folder_under_the_name_of_another_is_not_corrected(archive, recording):
    first, second = store.names(archive)
    shutil.rmtree(archive / first)
    shutil.copytree(archive / second, archive / first)
    with pytest.raises(FileError, match=r"not the recording listed in index\.json"):
        add(archive, recording("drive1", seed=1, road="bypass"))


def test_why_a_pass_was_struck_out_stays_in_the_history(archive, recording):
    again = recording("drive1", seed=1, road="bypass")
    strike_out(again, "a tractor in the way")
    assert add(archive, again).how == "corrected"
    take_back(again)
    added = add(archive, again)
    never, struck = records.read_record(archive / added.name)["history"]
    assert (added.how, never["struck_out"]) == ("corrected", None)
    assert struck["struck_out"]["reason"] == "a tractor in the way"
    again.unlink()  # the raw stream alone
    sidecar = sidecar_path(again)
    sidecar.write_text(json.dumps(json.loads(sidecar.read_text()) | {"struck_out": struck["struck_out"]}))
    assert add(archive, again.with_suffix(".ttraw")).how == "corrected"


def test_concurrent_adds_lose_nothing(tmp_path, recording):
    archive, capture = tmp_path / "archive", recording()
    plans = [tmp_path / f"plan{k}.json" for k in range(12)]
    for k, plan in enumerate(plans):
        plan.write_text(json.dumps({"schema": "towertap-plan", "version": 1, "seed": k}))
    (tmp_path / "other").mkdir()
    of_one_name = tmp_path / "other" / "plan0.json"
    of_one_name.write_text('{"schema": "towertap-plan", "version": 1, "seed": 99}')

    def outcome(path):
        try:
            return add(archive, path).how
        except FileError as error:
            return str(error)

    with ThreadPoolExecutor(8) as pool:
        outcomes = sorted(pool.map(outcome, [plans[0], of_one_name, capture, *plans[1:], capture]))
    assert outcomes[1:] == ["added", *["kept"] * 12, "there already"]
    assert "a different file of that name is kept already" in outcomes[0]
    assert verify(archive).problems == []
    assert len(list((archive / "plans").iterdir())) == 12


def test_an_add_waits_for_another_only_for_a_limited_time(archive, recording, monkeypatch):
    monkeypatch.setattr(adding, "LONGEST_WAIT_S", 0.05)
    captures = [recording("third", seed=7), recording("fourth", seed=8)]
    under_way = adding.add_all(archive, captures)
    next(under_way)
    with pytest.raises(FileError, match=r"\.lock: .*locked; add again when no other add is in progress"):
        add(archive, captures[1])
    under_way.close()
    assert add(archive, captures[1]).how == "added"
    assert verify(archive).problems == []


def test_what_killed_adds_left_is_removed_by_the_next_one_when_it_is_old(archive, recording):
    for name, age_s in ((".adding-old", 7200), (".adding-new", 0)):
        (archive / name).mkdir()
        (archive / name / "raw.ttraw.gz").write_bytes(b"half")
        for path in (archive / name / "raw.ttraw.gz", archive / name):
            os.utime(path, (time.time() - age_s,) * 2)
    assert [".adding" in remark for remark in verify(archive).remarks] == [True, True]
    put(archive, recording("third", seed=7))
    assert [path.name for path in archive.glob(".adding-*")] == [".adding-new"]
    assert verify(archive).problems == []


def test_the_hundredth_recording_costs_as_much_as_the_first(archive, recording, monkeypatch):
    """The records of those that are there are read once for all that are added, from the index."""
    reads = []
    for room in (store, adding):
        monkeypatch.setattr(room, "read_record", lambda folder: reads.append(folder) or records.read_record(folder))
    captures = [recording(f"more{seed}", seed=seed, road="moor-road") for seed in range(10, 14)]
    indexes, write = [], adding.write_index
    monkeypatch.setattr(adding, "write_index", lambda *given: indexes.append(len(given[1])) or write(*given))
    assert [added.how for added in adding.add_all(archive, captures)] == ["added"] * 4
    assert (reads, indexes) == ([], [6])
    assert len(store.listing(archive).records) == 6


def test_plans_and_bench_records_are_kept_with_the_recordings(archive, tmp_path):
    plan, bench = tmp_path / "spring.json", tmp_path / "e66-noise.json"
    plan.write_text('{"schema": "towertap-plan", "version": 1}')
    bench.write_text('{"schema": "towertap bench record", "version": 1}')
    (tmp_path / "other.json").write_text("{}")
    names = [added.name for added in adding.add_all(archive, [plan, bench])]
    assert names == ["plans/spring.json", "bench/e66-noise.json"]
    assert add(archive, plan).how == "there already"
    assert (verify(archive).problems, len(store.listing(archive).records)) == ([], 2)
    with pytest.raises(FileError, match="not a plan or bench record"):
        add(archive, tmp_path / "other.json")
    plan.write_text('{"schema": "towertap-plan", "version": 1, "margin": 0.5}')
    with pytest.raises(FileError, match="a different file of that name"):
        add(archive, plan)
    (archive / "bench" / "e66-noise.json").unlink()
    added = add(archive, bench)
    assert (added.how, added.put_back) == ("there already", ("bench/e66-noise.json",))
    assert verify(archive).problems == []
    assert bench_folder(archive / store.names(archive)[0] / "capture.h5") == archive / "bench"
    (archive / "plans" / "spring.json").write_bytes(plan.read_bytes())
    (archive / "bench" / "strange.json").write_text("{}")
    assert [problem.file for problem in verify(archive).problems] == ["plans/spring.json", "bench/strange.json"]
    (archive / "kept.json").write_text("{}")
    assert [problem.file for problem in verify(archive).problems] == ["kept.json"]


def test_a_raw_stream_without_a_capture_is_decoded(tmp_path, recording):
    capture = recording()
    capture.unlink()
    record, _ = put(tmp_path / "archive", capture.with_suffix(".ttraw"))
    with open_capture(tmp_path / "archive" / record["name"] / "capture.h5") as stored:
        assert stored.n_samples == 4000


def test_files_that_do_not_belong_together_are_refused_and_leave_nothing(tmp_path, recording):
    archive = tmp_path / "archive"
    capture = recording()
    raw = capture.with_suffix(".ttraw")
    raw.write_bytes(raw.read_bytes() + b"more")
    with pytest.raises(FileError, match="made from other bytes"):
        put(archive, capture)
    raw.rename(tmp_path / "elsewhere.ttraw")
    with pytest.raises(CallError, match=r"drive\.ttraw is not next to it"):
        put(archive, capture)
    with pytest.raises(FileError, match="no such file"):
        put(archive, tmp_path / "nothing.h5")
    assert [path.name for path in archive.iterdir()] == [".lock"]


@pytest.mark.parametrize("kind", ["a pipe", "a link"])
def test_a_lock_that_is_not_a_regular_file_is_refused(kind, archive, tmp_path, recording):
    lock = archive / ".lock"
    lock.unlink()
    os.mkfifo(lock) if kind == "a pipe" else lock.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FileError, match=r"\.lock: not a regular file; move it away"):
        add(archive, recording("third", seed=7))
    assert not (tmp_path / "elsewhere").exists()


def test_a_killed_add_leaves_no_recording(tmp_path, recording):
    capture, archive = recording(), tmp_path / "archive"
    script = f"""
import os, signal
from pathlib import Path
from towertap.archive import adding
adding._describe = lambda *given: os.kill(os.getpid(), signal.SIGKILL)
list(adding.add_all(Path({str(archive)!r}), [Path({str(capture)!r})]))
"""
    assert subprocess.run([sys.executable, "-c", script]).returncode == -signal.SIGKILL
    assert store.listing(archive).records == []
    _, is_new = put(archive, capture)
    assert is_new
