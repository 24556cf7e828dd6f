"""`verify` finds one flipped bit in any file and says which; decoding again gives the same numbers."""

import gzip
import hashlib
import shutil
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.archive import record as records
from towertap.archive import store
from towertap.archive.verify import verify

from tests.archives import add


def places(archive):
    return [(problem.recording, problem.file) for problem in verify(archive).problems]


def test_an_intact_archive_has_no_problems(archive):
    answer = verify(archive)
    assert (answer.recordings, answer.problems, answer.data()["whole"]) == (2, [], True)


@given(data=st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_one_flipped_bit_is_found_in_any_file(data, archive):
    files = sorted(path for path in archive.rglob("*") if path.is_file() and path.name != ".lock")
    path = data.draw(st.sampled_from(files))
    content = path.read_bytes()
    bit = data.draw(st.integers(0, 8 * len(content) - 1))
    path.write_bytes(content[: bit // 8] + bytes([content[bit // 8] ^ 1 << bit % 8]) + content[bit // 8 + 1 :])
    recording = "" if path.name == "index.json" else path.parent.name
    problems = places(archive)
    path.write_bytes(content)
    # where a record is damaged, the index that was made from it differs as well
    assert [problem for problem in problems if problem[1] != "index.json" or path.name == "index.json"] == [
        (recording, path.name)
    ]
    assert places(archive) == []


def test_missing_unknown_and_renamed_files_are_reported(archive):
    first, second = (archive / name for name in store.names(archive))
    (first / "raw.ttraw.gz").unlink()
    (second / "notes.txt").write_text("found under the seat")
    (archive / ".adding-x").mkdir()
    (archive / "strange").symlink_to("/etc")
    assert places(archive) == [
        (first.name, "raw.ttraw.gz"),
        (second.name, "notes.txt"),
        ("", "strange"),
    ]
    second.rename(archive / "other")
    assert ("other", "record.json") in places(archive)


def test_a_link_in_place_of_a_file_is_not_followed(archive, tmp_path):
    folder = archive / store.names(archive)[0]
    shutil.move(folder / "capture.h5", tmp_path / "capture.h5")
    (folder / "capture.h5").symlink_to(tmp_path / "capture.h5")
    assert places(archive) == [(folder.name, "capture.h5")]
    shutil.move(folder / "record.json", tmp_path / "record.json")
    (folder / "record.json").symlink_to(tmp_path / "record.json")
    assert (folder.name, "record.json") in places(archive)


def test_a_compressed_raw_stream_is_read_only_to_its_recorded_length(archive):
    """300 MB of zeros in 300 kB, with their true SHA-256 but another length: reported at once."""
    folder = archive / store.names(archive)[0]
    record = records.read_record(folder)
    digest = hashlib.sha256()
    with gzip.open(folder / "raw.ttraw.gz", "wb", compresslevel=1) as file:
        for _ in range(300):
            file.write(bytes(2**20))
            digest.update(bytes(2**20))
    files = {**record["files"], "raw.ttraw.gz": records.sum_of(folder / "raw.ttraw.gz")}
    reseal(folder, files=files, raw={**record["raw"], "sha256": digest.hexdigest()})
    (archive / "index.json").unlink()
    began = time.process_time()
    assert places(archive) == [(folder.name, "raw.ttraw.gz")]
    assert time.process_time() - began < 1


def reseal(folder, **changes):
    record = records.read_record(folder)
    (folder / "record.json").write_bytes(records.seal({**record, **changes}))


@pytest.mark.parametrize(
    "changes",
    [
        {"format": 2},
        {"format": "1"},
        {"files": {"../../outside": {"sha256": ""}}},
        {"files": []},
        {"raw": {"sha256": 5}},
        {"samples": "many"},
    ],
)
def test_a_record_with_correct_sums_but_invalid_content_is_refused(changes, archive):
    folder = archive / store.names(archive)[0]
    reseal(folder, **changes)
    (archive / "index.json").unlink()
    assert places(archive) == [(folder.name, "record.json")]
    assert len(store.listing(archive).records) == 1


def test_a_recording_whose_folder_is_gone_is_named_until_it_is_back(archive, tmp_path, recording):
    lost, kept = store.names(archive)
    shutil.move(archive / lost, tmp_path / lost)
    for use in (lambda: None, lambda: store.listing(archive), lambda: add(archive, recording("third", seed=7))):
        use()
        (problem,) = verify(archive).problems
        assert (problem.recording, "gone" in problem.what, "delete" in problem.what) == (lost, True, False)
        assert [record["name"] for record in store.listing(archive).gone] == [lost]
    shutil.move(archive / kept, tmp_path / kept)
    assert places(archive) == [(lost, ""), (kept, "")]
    for name in (lost, kept):
        shutil.move(tmp_path / name, archive / name)
    assert places(archive) == []


def test_with_something_gone_nothing_advises_to_delete_the_index(archive):
    lost, kept = store.names(archive)
    shutil.rmtree(archive / lost)
    reseal(archive / kept, host="another")
    assert places(archive) == [(lost, ""), ("", "index.json")]
    assert not any("delete" in problem.what for problem in verify(archive).problems)


def test_a_lost_recording_can_be_added_again(archive, recording):
    lost = store.names(archive)[0]
    capture = recording("again", seed=1, road="bypass")
    shutil.rmtree(archive / lost)
    assert add(archive, capture).how == "added"
    assert places(archive) == []


def test_a_damaged_index_is_not_written_over(archive):
    """It may be the only trace of a recording whose folder is gone."""
    index = archive / "index.json"
    index.write_text(index.read_text("utf-8")[:-40], "utf-8")
    damaged = index.read_bytes()
    for _ in range(2):
        assert ("", "index.json") in places(archive)
        store.listing(archive)
        assert index.read_bytes() == damaged


def test_a_recording_whose_record_is_damaged_stays_in_the_index(archive):
    name = store.names(archive)[0]
    record = archive / name / "record.json"
    record.write_text(record.read_text("utf-8")[:-40], "utf-8")
    store.write_index(archive, store.from_records(archive).records)
    assert name in {record["name"] for record in store.index_of(archive)}
    shutil.rmtree(archive / name)
    assert (name, "") in places(archive)


def test_an_index_that_is_missing_is_made_anew_and_told(archive):
    assert verify(archive).remarks == []
    (archive / "index.json").unlink()
    answer = verify(archive)
    assert (answer.problems, ["rebuilt" in remark for remark in answer.remarks]) == ([], [True])
    assert (archive / "index.json").exists()
    assert verify(archive).remarks == []
