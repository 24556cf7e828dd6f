"""Two boxes at once, as captures: passes are paired, and a known transfer and its change are recovered and drawn."""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict, replace

import h5py
import numpy as np
import pytest
from towertap.capture.schema import set_attributes
from towertap.cli._outcome import plain
from towertap.compare.drives.folder import load_passes
from towertap.compare.sections.transfer import TransferSection, figure
from towertap.compare.sections.transfer.bands import EDGES_HZ
from towertap.errors import AnalysisError
from towertap.words.numbers import change_percent

from tests.by_hand import put_counts
from tests.compare import two_boxes

SECTION = TransferSection()


@pytest.fixture(scope="module")
def evidence(make, two_box_drives):
    return SECTION.compare(make.on_whole_passes(two_box_drives, ["acceleration_z"]), ())


@pytest.fixture(scope="module")
def road(evidence):
    return evidence.data[0]


def transfer_in(make, folder):
    """The evidence of the section from a folder of spoilt captures."""
    names = ("rubber", "polyurethane", "bypass")
    measures = {"transfer": SECTION.measure}
    drives = load_passes(folder, *names, measures=measures, position="sill", input_position="arm")
    return SECTION.compare(make.on_whole_passes(drives, ["acceleration_z"]), ())


@pytest.fixture
def folder(two_box_folder, tmp_path):
    """A copy that a test may spoil."""
    copy = tmp_path / "drives"
    copy.mkdir()
    for capture in two_box_folder.glob("*.h5"):
        shutil.copy(capture, copy)
    return copy


def textbook(part, low_hz, high_hz):
    """R.m.s. gain of a band by the formula, for an input flat over it."""
    frequency_hz = np.linspace(low_hz, high_hz, 200)
    return np.sqrt(np.mean(np.abs(two_boxes.transmissibility(frequency_hz, two_boxes.BUSHES[part])) ** 2))


def test_the_gain_of_either_bush_and_its_change_are_the_textbooks(road):
    """Third-octave bands in which at least half of the power follows; 24 segments of 2 s vary by some per cent."""
    judged = [(band, edges) for band, edges in zip(road.bands, EDGES_HZ, strict=True) if band.judged]
    assert [band.name for band, _ in judged][:2] == ["5", "6.3"]
    assert len(judged) >= 13
    for band, edges in judged:
        before, after = textbook("rubber", *edges), textbook("polyurethane", *edges)
        assert band.before == pytest.approx(before, rel=0.12)
        assert band.after == pytest.approx(after, rel=0.12)
        assert band.interval[0] < after / before * 1.02
        assert band.interval[1] > after / before / 1.02


def test_the_clocks_are_matched(road):
    """1.37 s apart, 1.34 s by the host's clock; oscillators are off by +0.8 and −0.5 %, as the captures know."""
    assert len(road.passes) == 6
    for drive in road.passes:
        assert drive.offset_s == pytest.approx(-1.37, abs=4e-3)  # includes the delay of the path
        assert abs(drive.drift_ppm) < 60
        assert drive.agreeing >= drive.windows - 2


def test_words_say_which_bands_changed(road):
    most = max((band for band in road.bands if band.judged), key=lambda band: max(band.ratio, 1 / band.ratio))
    size = change_percent(most.ratio, most.interval)
    assert road.words.startswith("quarry-lane: sill follows arm ")
    assert f"{size} at {most.name} Hz (shown from " in road.words
    assert road.words.endswith(" with polyurethane")


def test_it_is_plain_data(road):
    assert json.dumps(plain(asdict(road)), allow_nan=False)


def test_what_cannot_be_paired_is_left_out_with_the_reason(make, folder):
    (folder / "quarry-lane_rubber_1_arm.h5").unlink()
    with h5py.File(folder / "quarry-lane_rubber_2_arm.h5", "r+") as file:
        set_attributes(file, {"started_utc": ""})
    with h5py.File(folder / "quarry-lane_polyurethane_1_arm.h5", "r+") as file:
        set_attributes(file, {"started_utc": "2026-03-14T11:00:00+00:00"})
    shutil.copy(folder / "quarry-lane_polyurethane_3_arm.h5", folder / "another.h5")
    with h5py.File(folder / "another.h5", "r+") as file:  # of the same pass, at another time
        set_attributes(file, {"started_utc": "2026-03-14T12:00:00+00:00"})
    with h5py.File(folder / "quarry-lane_polyurethane_2_arm.h5", "r+") as file:
        rows = len(file["acceleration_differences"])
        put_counts(file, "acceleration", np.random.default_rng(3).normal([0, 0, 2048], 100, (rows, 3)))
    (road,) = transfer_in(make, folder).data
    reasons = {capture.capture: capture.reason for capture in road.excluded}
    assert "has no capture at the input's position" in reasons["quarry-lane_rubber_1_sill"]
    assert "has no start time" in reasons["quarry-lane_rubber_2_sill"]
    assert "it shares only 0.0 s with its input" in reasons["quarry-lane_polyurethane_1_sill"]
    assert "no more than by chance" in reasons["quarry-lane_polyurethane_2_sill"]
    assert [drive.capture for drive in road.passes] == ["quarry-lane_rubber_3_sill", "quarry-lane_polyurethane_3_sill"]
    assert not any(band.interval for band in road.bands)
    assert road.words.endswith("one pass on a side cannot distinguish a change from chance")


def test_inputs_that_are_all_unusable_are_refused_in_one_line(make, folder):
    for path in folder.glob("*arm.h5"):
        with h5py.File(path, "r+") as file:
            set_attributes(file, {"started_utc": ""})
    with pytest.raises(AnalysisError, match="no pass has a usable input at 'arm'; quarry-lane_rubber_1_sill: "):
        transfer_in(make, folder)


def test_drives_of_one_box_have_no_transfer(make):
    assert SECTION.compare(make.on_whole_passes(make.invented(1)), ()) is None


def test_every_axis_of_the_figure_has_a_unit_and_the_title_says_the_finding(road, styled):
    gain, coherence, change = figure.panel(road).axes
    assert "output / input" in gain.get_ylabel()
    assert "coherence" in coherence.get_ylabel()
    assert "95 %" in change.get_ylabel()
    assert "Hz" in change.get_xlabel()
    most = max((band for band in road.bands if band.judged), key=lambda band: max(band.ratio, 1 / band.ratio))
    assert figure.title(road).startswith(f"quarry-lane: the transfer changed most at {most.name} Hz, ")


def test_the_title_says_so_if_no_interval_excludes_1(road):
    bands = tuple(replace(band, interval=None) for band in road.bands)
    assert figure.title(replace(road, bands=bands)) == "quarry-lane: no change of the transfer is shown in any band"


def test_a_road_with_an_unpaired_side_has_only_its_sentence(make, two_box_drives):
    """No table of bands and no picture, only a table of the passes that are left out."""

    def without_input(drive):
        if drive.road == "bypass" or drive.side == "after":
            return drive
        reason = f"its input {drive.measured['transfer'].input_capture} is not sound"
        return replace(drive, measured={"transfer": reason})

    drives = replace(two_box_drives, passes=tuple(without_input(drive) for drive in two_box_drives.passes))
    evidence = SECTION.compare(make.on_whole_passes(drives, ["acceleration_z"]), ())
    assert evidence.headline == "quarry-lane: no pass with rubber was recorded by both boxes."
    (left_out,) = evidence.tables
    assert [row[0] for row in left_out.rows] == [f"quarry-lane_rubber_{number}_sill" for number in (1, 2, 3)]
    assert list(SECTION.pictures(evidence)) == []


def test_cautions_about_the_input_box_are_given_once_for_all_roads(make, two_box_drives):
    """By road they would be counted separately, and so be two lines: 3 of 3 captures, and 6 of 6."""
    conditions = [
        replace(drive.conditions, road=f"road {drive.conditions.pass_number}") for drive in two_box_drives.passes
    ]
    names = zip(two_box_drives.passes, conditions, strict=True)
    by_road = [replace(drive, conditions=said) if drive.road != "bypass" else drive for drive, said in names]
    fewer = [drive for drive in by_road if (drive.road, drive.side) != ("road 3", "after")]
    evidence = SECTION.compare(make.on_whole_passes(replace(two_box_drives, passes=tuple(fewer))), ())
    (bench,) = [caution.words for caution in evidence.cautions if "bench records of" in caution.words]
    assert "Missing for all 5 captures" in bench


def test_one_box_at_two_positions_at_once_is_reported(make, two_box_drives):
    def said(drives):
        evidence = SECTION.compare(make.on_whole_passes(drives), ())
        return [caution.words for caution in evidence.cautions if "at the output at once" in caution.words]

    assert len(said(two_box_drives)) == 1
    other = replace(two_box_drives.passes[0].bench, serial="ffff0001")
    apart = tuple(replace(drive, bench=other) for drive in two_box_drives.passes)
    assert said(replace(two_box_drives, passes=apart)) == []
