"""`towertap correct` and `towertap drop`: amendments appear everywhere, and nothing is lost."""

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner
from towertap import cli
from towertap.amendments import SEEN
from towertap.capture.conditions import Conditions, read_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture

NAME = "quarry-lane_rubber-bsh_pass03_20260504T093000Z"
SAID = Conditions("minibus", "rubber-bsh", "quarry-lane", 3, 40.0, mounting="x=+X,y=+Y,z=+Z")


@pytest.fixture
def recorded(tmp_path, by_hand):
    """A function that makes a recording with sidecar and capture, and returns the capture's path."""

    def make(name=NAME, conditions=SAID):
        frames = by_hand.recording(7.0, seed=len(name), rolls=True)
        return by_hand.capture(tmp_path / name, frames, conditions, {"started_utc": "2026-05-04T09:30:00+00:00"})

    return make


def said_of(capture_path):
    with open_capture(capture_path) as capture:
        return capture.conditions, capture.host, capture.text("raw_name"), capture.text("raw_sha256")


def test_a_correction_changes_name_sidecar_and_capture_but_not_the_raw_bytes(recorded, answer):
    capture = recorded()
    raw_bytes, *_, digest = capture.with_suffix(".ttraw").read_bytes(), *said_of(capture)
    (corrected,) = answer("correct", capture, "--part", "rubber-bush", "--speed", "25 mph")["corrected"]
    now = capture.with_name(NAME.replace("bsh", "bush") + ".h5")
    assert corrected == {"was": str(capture), "capture": str(now)}
    assert {path.name.split(".")[0] for path in capture.parent.iterdir()} == {now.stem}
    conditions, host, raw_name, raw_sha256 = said_of(now)
    assert (conditions.part, conditions.speed_kmh, conditions.road) == ("rubber-bush", 40.2, "quarry-lane")
    assert (raw_name, raw_sha256) == (f"{now.stem}.ttraw", digest)
    assert now.with_suffix(".ttraw").read_bytes() == raw_bytes
    sidecar = read_sidecar(now.with_suffix(".ttraw"))
    assert sidecar["conditions"] == conditions
    assert sidecar["history"] == host["history"]
    (was,) = host["history"]
    assert was["conditions"] == SAID.to_dict()
    decode_raw(now.with_suffix(".ttraw"), now)
    assert said_of(now)[0] == conditions


def test_several_captures_are_corrected_and_a_custom_name_stays(recorded, run):
    captures = [recorded(), recorded("my own name", SAID)]
    status, _, _ = run("correct", *captures, "--part", "rubber-bush")
    assert status == 0
    assert said_of(captures[1])[0].part == "rubber-bush"
    assert not captures[0].exists()


def test_a_capture_that_needs_no_correction_is_reported_unchanged(recorded, run, refused):
    captures = [recorded(name, SAID) for name in ("first", "second", "third")]
    assert run("correct", captures[1], "--speed", "50 km/h")[0] == 0
    history = said_of(captures[1])[1]["history"]
    status, out, _ = run("correct", *captures, "--speed", "50 km/h")
    assert status == 0
    assert f"{captures[1]}: unchanged" in out.splitlines()
    assert [said_of(path)[0].speed_kmh for path in captures] == [50, 50, 50]
    assert said_of(captures[1])[1]["history"] == history
    assert "nothing is corrected" in refused("correct", *captures, "--speed", "50 km/h")


def test_if_one_cannot_be_corrected_none_is(recorded, refused):
    captures = [recorded(), recorded(NAME.replace("T093000Z", "T101500Z"), SAID), recorded("last", SAID)]
    folder = captures[0].parent
    taken = captures[1].with_name(captures[1].name.replace("pass03", "pass04"))
    taken.touch()
    before = {path: path.read_bytes() for path in folder.iterdir()}
    err = refused("correct", *captures, "--pass", "4")
    assert f"{taken.name} already exists" in err
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    captures[2].write_bytes(captures[2].read_bytes()[:1000])
    before = {path: path.read_bytes() for path in folder.iterdir()}
    assert str(captures[2]) in refused("correct", *captures, "--part", "rubber-bush")
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_two_recordings_never_get_one_name(recorded, refused):
    both = [recorded(NAME, SAID), recorded(NAME.replace("pass03", "pass05"), replace(SAID, pass_number=5))]
    before = {path: path.read_bytes() for path in both[0].parent.iterdir()}
    assert f"{both[0]} would get the same name" in refused("correct", *both, "--pass", "4")
    assert {path: path.read_bytes() for path in both[0].parent.iterdir()} == before


def test_a_condition_can_be_removed(recorded, run):
    capture = recorded()
    assert run("correct", capture, "--mounting", "", "--speed", "")[0] == 0
    assert (said_of(capture)[0].mounting, said_of(capture)[0].speed_kmh) == ("", None)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ([], "nothing to correct"),
        (["--part", "rubber-bsh"], "already has these conditions"),
        (["--pass", "0"], "pass_number"),
        (["--mounting", "x=+X,y=+X,z=+Z"], "one chip axis twice"),
        (["--tyre-pressures", "2.5, 2.5, 3, 3"], "give the unit"),
        (["--part", "rubber-bush"], f"{NAME.replace('bsh', 'bush')}.h5 already exists: move it away"),
    ],
)
def test_an_invalid_correction_is_one_line_and_changes_nothing(recorded, refused, options, says):
    capture = recorded()
    capture.with_name(NAME.replace("bsh", "bush") + ".h5").touch()
    before = {path: path.read_bytes() for path in capture.parent.iterdir()}
    err = refused("correct", capture, *options)
    assert says in err
    assert {path: path.read_bytes() for path in capture.parent.iterdir()} == before


def test_help_names_every_condition():
    text = CliRunner().invoke(cli.group, ["correct", "--help"]).output
    for option in ("--vehicle", "--part", "--road", "--pass", "--speed", "--tyre-pressures", "--mounting", "--notes"):
        assert option in text


def test_a_struck_out_pass_keeps_its_files_and_can_be_taken_back(recorded, run):
    capture = recorded()
    status, out, _ = run("drop", capture, "--reason", "gave way to a tractor")
    assert status == 0
    assert "gave way to a tractor" in out
    assert read_sidecar(capture.with_suffix(".ttraw"))["struck_out"]["reason"] == "gave way to a tractor"
    for command in ("check", "analyse"):
        assert "gave way to a tractor" in run(command, capture)[1]
    assert "NOT usable: struck out on" in run("show", capture)[1]
    assert run("drop", capture, "--reason", "again")[0] == 2
    assert run("drop", capture, "--undo")[0] == 0
    with open_capture(capture) as opened:
        assert opened.struck_out is None
        assert opened.host["history"][0]["struck_out"]["reason"] == "gave way to a tractor"
    assert run("drop", capture, "--undo")[0] == 2
    assert run("drop", capture)[0] == 2


def test_a_reason_given_after_the_values_were_shown_is_marked(recorded, run, answer):
    capture, unseen = recorded(), recorded("other", SAID)
    assert run("analyse", capture)[0] == 0
    assert list(json.loads((capture.parent / SEEN).read_text())) == [said_of(capture)[3]]
    for path, marked in ((capture, True), (unseen, False)):
        data = answer("drop", path, "--reason", "wrong line")
        assert data["struck_out"]["after_values"] is marked
        assert ("after its values had been shown" in run("check", path)[1]) is marked


def test_the_archive_takes_over_corrections_and_struck_out_passes(recorded, run, tmp_path):
    capture, archive = recorded(), tmp_path / "archive"
    assert run("archive", "add", archive, capture)[0] == 0
    assert run("correct", capture, "--part", "rubber-bush")[0] == 0
    now = capture.with_name(NAME.replace("bsh", "bush") + ".h5")
    assert "corrected" in run("archive", "add", archive, now)[1]
    assert run("drop", now, "--reason", "wrong line")[0] == 0
    assert "corrected" in run("archive", "add", archive, now)[1]
    assert "there already" in run("archive", "add", archive, now)[1]
    listed = run("archive", "list", archive)[1]
    assert "rubber-bush" in listed
    assert "struck out: wrong line" in listed
    assert run("archive", "verify", archive)[0] == 0
    (folder,) = [path for path in archive.iterdir() if path.is_dir()]
    assert run("drop", folder / "capture.h5", "--undo")[0] == 2
