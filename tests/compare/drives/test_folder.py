"""From a folder of captures, decoded from hand-built frames, to passes: used, left out, warned about, refused."""

from __future__ import annotations

import shutil

import h5py
import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.capture.reading import open_capture
from towertap.capture.schema import set_attributes
from towertap.compare.drives.folder import load_passes, nearly_alike
from towertap.compare.drives.model import CELL_S
from towertap.errors import AnalysisError, CallError, FileError
from towertap.signals.metrics import METRICS

from tests.by_hand import plain_counts, put_counts

NAMES = ("soft", "stiff", "bypass")


@pytest.fixture
def folder(drive_folder, tmp_path):
    """Copies that a test may spoil: one pass with each part over the smooth and a rough road."""
    copy = tmp_path / "drives"
    copy.mkdir()
    for road in ("bypass", "quarry-lane"):
        for part in ("soft", "stiff"):
            shutil.copy(drive_folder / f"{road}-{part}-1.h5", copy)
    return copy


@pytest.fixture
def add(folder, make_capture, by_hand):
    """A function that adds a capture of white noise to the folder; keywords are conditions."""

    def make(name, *, seconds=5, odr_hz=1000, spread=100, **conditions):
        counts = by_hand.noise(np.random.default_rng(len(name)), spread, seconds * odr_hz)
        frames = by_hand.recording(rate_hz=float(odr_hz), counts=counts)
        said = by_hand.conditions(**{"part": "soft", "road": "quarry-lane", "number": 9} | conditions)
        shutil.move(make_capture(frames, name, said), folder / f"{name}.h5")

    return make


def one_line(error):
    return "\n" not in str(error.value)


def test_all_named_passes_are_read_with_their_windows(drive_folder):
    done = []
    drives = load_passes(drive_folder, *NAMES, fresh=True, on_progress=lambda *step: done.append(step))
    assert len(drives.passes) == 12
    assert (drives.rough_roads, drives.excluded, drives.remarks) == (("moor-road", "quarry-lane"), (), ())
    assert [drive.name for drive in drives.of("bypass", "after")] == ["bypass-stiff-1", "bypass-stiff-2"]
    assert done == [(step, 12) for step in range(1, 13)]
    for drive in drives.passes:
        assert drive.integrity.sound
        assert (drive.windows("jerk_z") > 0).all()


@pytest.mark.parametrize("year", [2001, 2026, 2043])
def test_a_pass_with_a_date_that_cannot_be_counts_as_undated(folder, year):
    path = folder / "bypass-soft-1.h5"
    with h5py.File(path, "r+") as file:
        set_attributes(file, {"started_utc": f"{year}-03-14T09:00:00+00:00"})
    (started,) = (drive.started for drive in load_passes(folder, *NAMES).passes if drive.path == path)
    assert (started and started.year) == (2026 if year == 2026 else None)


def test_cells_join_to_the_windows_of_the_analysis(folder):
    drive = load_passes(folder, *NAMES).passes[0]
    with open_capture(drive.path) as capture:
        expected = analyse_capture(capture, window_s=1.0, metrics=list(drive.kept)).columns
    assert ["piece", "start_s", *drive.kept] == list(expected)
    for name in drive.kept:
        assert drive.windows(name) == pytest.approx(expected[name], rel=1e-6)
    assert np.diff(drive.cells["start_s"]) == pytest.approx(CELL_S, abs=1e-3)


def test_only_metrics_that_the_rate_carries_are_offered(folder):
    """At 1 kHz the band 100–500 Hz is not carried."""
    names = {metric.name for metric in load_passes(folder, *NAMES).metrics}
    assert names == set(METRICS) - {"structure_borne_z"}


def test_every_unused_capture_is_listed_with_the_reason(folder, add):
    add("other", part="wooden", odr_hz=2000)
    add("spelt", part="Soft")
    add("nowhere", road="")
    add("nothing", part="")
    drives = load_passes(folder, *NAMES)
    assert len(drives.passes) == 4
    assert {capture.capture: capture.reason for capture in drives.excluded} == {
        "other": "made with 'wooden'; compared are 'soft' and 'stiff'",
        "spelt": "made with 'Soft', which is nearly 'soft'; compared are 'soft' and 'stiff'",
        "nowhere": "no road is written down in it",
        "nothing": "no part is written down in it",
    }
    (remark,) = [words for words in drives.remarks if "nearly one name" in words]
    assert remark == "the parts 'soft' and 'Soft' are nearly one name: if they are the same, spell both alike"


def test_two_vehicles_are_refused_until_one_is_named(folder, add):
    add("unsaid", vehicle="")
    assert len(load_passes(folder, *NAMES).passes) == 5
    add("van", vehicle="van")
    with pytest.raises(CallError, match=r"on more than one vehicle \('minibus', 'van'\): choose one with --vehicle$"):
        load_passes(folder, *NAMES)
    with pytest.raises(CallError, match="not driven on 'lorry', but on 'minibus', 'van'"):
        load_passes(folder, *NAMES, vehicle="lorry")
    drives = load_passes(folder, *NAMES, vehicle="minibus")
    assert {drive.conditions.vehicle for drive in drives.passes} == {"minibus"}
    assert {capture.capture: capture.reason for capture in drives.excluded} == {
        "unsaid": "no vehicle is written down in it; compared is 'minibus'",
        "van": "driven on 'van'; compared is 'minibus'",
    }
    add("spelt", vehicle="Minibus")
    with pytest.raises(CallError, match="nearly alike: if they are the same, spell them alike"):
        load_passes(folder, *NAMES)


@pytest.mark.parametrize(
    ("name", "other", "alike"),
    [
        ("quarry-lane", "quarry lane", True),
        ("quarry-lane", "Quarry_Lane", True),
        ("rubber", "ruber", True),
        ("rubber", "rubbre", True),
        ("rubber", "rubber", False),
        ("rubber 1", "rubber 2", False),
        ("rubber-bush", "rubber-bush-refitted", False),
        ("soft", "stiff", False),
        ("A", "B", False),
        ("a-1", "A 1", True),
        ("", "A", False),
        ("r\u00e9s\u00e9da", "re\u0301se\u0301da", True),
    ],
)
def test_names_that_may_mean_the_same(name, other, alike):
    assert nearly_alike(name, other) is alike


def test_parts_that_only_look_the_same_are_refused(folder, add):
    """An accent is one code point or two, which Unicode Standard Annex 15 calls canonically equivalent."""
    add("composed", part="caf\u00e9")
    add("decomposed", part="cafe\u0301")
    with pytest.raises(CallError, match="name two parts; they look the same, so spell them alike"):
        load_passes(folder, "caf\u00e9", "cafe\u0301", "bypass")


def test_similar_road_names_give_a_warning_and_a_misspelt_option_a_suggestion(folder, add):
    add("again", road="quarry lane")
    assert any("the roads 'quarry lane' and 'quarry-lane'" in words for words in load_passes(folder, *NAMES).remarks)
    with pytest.raises(CallError, match="did you mean 'stiff'"):
        load_passes(folder, "soft", "stif", "bypass")
    with pytest.raises(CallError, match="did you mean 'bypass'"):
        load_passes(folder, "soft", "stiff", "By-pas")


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (("soft", "hard", "bypass"), "part 'hard': parts are 'soft', 'stiff'; roads are 'bypass', 'quarry-lane'"),
        (("firm", "stiff", "bypass"), "part 'firm': parts are"),
        (("soft", "stiff", "motorway"), "road 'motorway': roads are 'bypass', 'quarry-lane'; parts are"),
        (("soft", "soft", "bypass"), "both name 'soft'"),
    ],
)
def test_a_name_that_matches_nothing_is_refused_with_the_known_names(folder, names, says):
    with pytest.raises(CallError, match=says) as error:
        load_passes(folder, *names)
    assert one_line(error)


def test_a_folder_without_captures_is_refused(tmp_path):
    with pytest.raises(CallError, match=r"no captures \(\*\.h5\)"):
        load_passes(tmp_path, *NAMES)
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "one.h5").touch()
    with pytest.raises(CallError, match=r"another folder; there are some in .*captures$"):
        load_passes(tmp_path, *NAMES)
    with pytest.raises(CallError, match="no folder"):
        load_passes(tmp_path / "nowhere", *NAMES)


def test_a_folder_of_files_that_are_no_captures_is_refused_with_the_first_reason(tmp_path):
    (tmp_path / "picture.h5").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    with pytest.raises(CallError, match=r"no capture can be read; picture: not a towertap capture"):
        load_passes(tmp_path, *NAMES)


def test_only_the_smooth_road_is_refused(folder):
    for path in folder.glob("quarry-*"):
        path.unlink()
    with pytest.raises(CallError, match="record a rough road"):
        load_passes(folder, *NAMES)


def test_captures_that_cannot_be_used_are_left_out_with_the_reason(folder, add):
    (folder / "empty.h5").touch()
    cut = (folder / "bypass-soft-1.h5").read_bytes()
    (folder / "bypass-soft-1.h5").write_bytes(cut[: len(cut) // 2])
    shutil.copy(folder / "quarry-lane-soft-1.h5", folder / "quarry-lane-soft-3.h5")
    add("short", seconds=1)
    add("unmounted", mounting="")
    drives = load_passes(folder, *NAMES)
    reasons = {capture.capture: capture.reason for capture in drives.excluded}
    assert len(drives.passes) == 3
    assert reasons.keys() == {"empty", "bypass-soft-1", "quarry-lane-soft-3", "short", "unmounted"}
    assert reasons["quarry-lane-soft-3"] == "the same recording as quarry-lane-soft-1"
    assert "empty" in reasons["empty"]
    assert "long enough" in reasons["short"]
    assert "mounted" in reasons["unmounted"]


def test_an_unsound_capture_is_left_out_unless_requested_and_then_reported(folder):
    with h5py.File(folder / "quarry-lane-stiff-1.h5", "r+") as file:
        counts = plain_counts(file, "acceleration")
        counts[100:4000, 2] = 32767
        put_counts(file, "acceleration", counts)
    (left_out,) = load_passes(folder, *NAMES).excluded
    assert left_out.capture == "quarry-lane-stiff-1"
    assert "not sound" in left_out.reason
    drives = load_passes(folder, *NAMES, include_unsound=True)
    assert len(drives.passes) == 4
    assert any("quarry-lane-stiff-1 is not sound" in remark for remark in drives.remarks)


def test_different_sample_rates_are_refused_by_name(folder, add):
    add("faster", odr_hz=2000)
    with pytest.raises(AnalysisError, match=r"1000 Hz: .*; 2000 Hz: faster") as error:
        load_passes(folder, *NAMES)
    assert one_line(error)


def test_nothing_usable_is_refused_with_the_first_reason(folder):
    for path in folder.glob("*.h5"):
        with h5py.File(path, "r+") as file:
            put_counts(file, "acceleration", plain_counts(file, "acceleration") * [1, 1, 0])
    with pytest.raises((AnalysisError, FileError), match="none of 4 captures can be used; bypass-soft-1: not sound"):
        load_passes(folder, *NAMES)
