"""`towertap archive`: add, list, verify and take, as text and as JSON."""

import json
import shutil

import pytest
from towertap.capture.conditions import Conditions, sidecar_path, write_sidecar


@pytest.fixture
def archive(make_capture, tmp_path, run):
    raw = tmp_path / "drive.ttraw"
    write_sidecar(raw, Conditions("minibus", "rubber", "bypass", 2), started_utc="2026-09-21T14:13:20+00:00")
    status, out, err = run("archive", "add", tmp_path / "archive", make_capture())
    assert (status, err) == (0, "")
    assert out.startswith(f"{tmp_path / 'archive'} is a new archive\n")
    assert "added as bypass_rubber_pass02_20260921T141320Z_" in out
    return tmp_path / "archive"


def test_adding_again_says_so(archive, tmp_path, run, answer):
    (recording,) = answer("archive", "add", archive, tmp_path / "drive.ttraw")["recordings"]
    assert recording["is_new"] is False
    again = tmp_path / "drive.h5"
    assert run("archive", "add", archive, again)[1].startswith(f"{again}: there already")


def test_a_folder_stands_for_the_recordings_in_it(archive, tmp_path, run, answer):
    folder = tmp_path / "drives"
    (folder / "within").mkdir(parents=True)
    status, _, err = run("archive", "add", archive, folder)
    assert (status, err.count("\n"), "a folder without a capture" in err) == (2, 1, True)
    for name in ("drive.ttraw", "drive.h5", "drive.conditions.json"):
        shutil.copy(tmp_path / name, folder / name)
    shutil.copy(tmp_path / "drive.ttraw", folder / "alone.ttraw")
    answered = answer("archive", "add", tmp_path / "other", folder)["recordings"]
    added = [(recording["recording"], recording["is_new"]) for recording in answered]
    assert added == [(str(folder / "alone.ttraw"), True), (str(folder / "drive.ttraw"), False)]


def test_list_and_its_filters(archive, run, answer, refused):
    words = ("--road", "Bypass", "--since", "2026-09-21", "--until", "2026-09-21")
    (record,) = answer("archive", "list", archive, *words)["recordings"]
    assert record["conditions"]["part"] == "rubber"
    assert answer("archive", "list", archive, "--part", "other")["recordings"] == []
    status, out, _ = run("archive", "list", archive)
    assert (status, out.startswith(f"{record['name']}: minibus, bypass, rubber, 2 s, started 2026-09-21T14:13:20")) == (
        0,
        True,
    )
    assert run("archive", "list", archive, "--vehicle", "lorry")[1] == "no recording matches\n"
    refused("archive", "list", archive, "--since", "yesterday")


def test_verify_says_which_file_and_exits_1(archive, run, answer):
    assert run("archive", "verify", archive)[:2] == (0, "every byte is as it was added\n1 recording, 0 problems\n")
    (sidecar,) = archive.glob("*/raw.conditions.json")
    sidecar.write_text(sidecar.read_text().replace("bypass", "byways"))
    status, out, _ = run("archive", "verify", archive)
    assert status == 1
    assert f"bad {sidecar.parent.name}/raw.conditions.json: damaged" in out
    data = answer("archive", "verify", archive, status=1)
    assert (data["whole"], data["problems"][0]["file"]) == (False, "raw.conditions.json")


def test_list_reports_an_unreadable_record(archive, run):
    (record,) = archive.glob("*/record.json")
    record.write_text("")
    (archive / "index.json").unlink()
    status, out, err = run("archive", "list", archive)
    assert (status, out) == (0, "no recording matches\n")
    assert "record.json: damaged" in err


@pytest.mark.parametrize("words", [("list",), ("verify",), ("take", "x")])
def test_no_archive_is_one_line_and_exit_status_2(words, tmp_path, refused):
    err = refused("archive", words[0], tmp_path / "nowhere", *words[1:])
    assert "no such archive" in err


@pytest.mark.parametrize("word", ["list", "verify"])
def test_a_folder_without_recordings_is_no_archive(word, tmp_path, refused):
    (tmp_path / "drive.h5").touch()
    err = refused("archive", word, tmp_path)
    assert "not an archive" in err


def test_list_and_verify_report_a_missing_recording(archive, run):
    (folder,) = (path for path in archive.iterdir() if path.is_dir())
    shutil.rmtree(folder)
    status, out, _ = run("archive", "verify", archive)
    assert (status, out.splitlines()[0]) == (
        1,
        f"bad {folder.name}: listed in index.json, but its folder is gone: restore it from a copy",
    )
    _, out, err = run("archive", "list", archive, "--json")
    assert json.loads(out)["gone"] == [folder.name]
    assert f"{folder.name}: listed in index.json" in err


def test_every_command_that_rebuilds_the_index_says_so(archive, tmp_path, run):
    again = ("add", archive, tmp_path / "drive.h5")
    for stream, words in ((1, ("verify", archive)), (2, ("list", archive)), (2, again)):
        (archive / "index.json").unlink()
        outcome = run("archive", *words)
        assert (outcome[0], "recordings lost before that are not known" in outcome[stream]) == (0, True)


def test_a_broken_sidecar_stops_the_add_in_one_line(tmp_path, by_hand, refused):
    raw = by_hand.raw(tmp_path / "drive.ttraw", by_hand.recording(0.1))
    sidecar_path(raw).write_text("{")
    refused("archive", "add", tmp_path / "archive", raw)


def test_restored_files_are_reported(archive, tmp_path, run, answer):
    for as_text in (True, False):
        for path in archive.glob("*/raw.ttraw.gz"):
            path.unlink()
        if as_text:
            status, out, _ = run("archive", "add", archive, tmp_path / "drive.h5")
            assert (status, out.endswith("; restored raw.ttraw.gz\n")) == (0, True)
        else:
            (recording,) = answer("archive", "add", archive, tmp_path / "drive.h5")["recordings"]
            assert recording["put_back"] == ["raw.ttraw.gz"]


def test_instants_are_listed_in_utc(tmp_path, by_hand, run):
    """Also for an import with +02:00: folder name and listing both use UTC."""
    raw = by_hand.raw(tmp_path / "drive.ttraw", by_hand.recording(0.1))
    write_sidecar(raw, Conditions(road="bypass"), started_utc="2026-09-21T10:00:00+02:00")
    assert run("archive", "add", tmp_path / "archive", raw)[0] == 0
    line = run("archive", "list", tmp_path / "archive")[1]
    assert "_20260921T080000Z_" in line
    assert "started 2026-09-21T08:00:00Z" in line


def test_a_file_is_no_archive(tmp_path, refused):
    (tmp_path / "drive.ttraw").touch()
    for place in (tmp_path / "drive.ttraw", tmp_path / "drive.ttraw" / "archive"):
        assert "give the archive's folder first" in refused("archive", "add", place, tmp_path / "drive.ttraw")


def test_a_line_break_in_a_name_does_not_break_output_lines(tmp_path, by_hand, run):
    raw = by_hand.raw(tmp_path / "drive\nadded.ttraw", by_hand.recording(0.1))
    write_sidecar(raw, Conditions(road="by\npass"))
    archive = tmp_path / "archive\nof"
    for words in (("add", archive, raw), ("list", archive), ("take", archive, "by", "--to", tmp_path / "o\nut")):
        status, out, _ = run("archive", *words)
        assert (status, out.count("\n")) == (0, {"add": 2, "list": 1, "take": 4}[words[0]])
    (archive / "str\nange").symlink_to("/")
    assert run("archive", "verify", archive)[1].count("\n") == 2


def test_a_damaged_index_is_reported_and_left_alone(archive, run):
    (archive / "index.json").write_text("junk")
    for _ in range(2):
        _, out, err = run("archive", "list", archive)
        assert (out.count("\n"), "delete it to rebuild it" in err) == (1, True)
    assert (archive / "index.json").read_text() == "junk"


def test_without_an_archive_the_usage_of_the_same_command_is_given(archive, refused):
    for words in (("list",), ("verify",), ("take", "bypass")):
        assert f"'towertap archive {words[0]} ARCHIVE" in refused("archive", *words)
    assert "which recording?" in refused("archive", "take", archive)
