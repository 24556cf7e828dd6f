"""Two boxes at once, as captures: positions told apart, passes paired, a known transfer and its change recovered."""

from __future__ import annotations

import json
import runpy
import shutil
from dataclasses import asdict, replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from towertap.capture.schema import set_attributes
from towertap.cli._outcome import plain
from towertap.compare.drives.folder import load_passes
from towertap.compare.sections.transfer.compare import EDGES_HZ
from towertap.compare.sections.transfer.two_boxes import transfers
from towertap.errors import AnalysisError, CallError

MADE = runpy.run_path(str(Path(__file__).with_name("two_boxes.py")))
NAMES = ("rubber", "polyurethane", "bypass")


@pytest.fixture(scope="module")
def road(two_box_folder):
    (found,) = transfers(load_passes(two_box_folder, *NAMES, position="sill"), "arm")
    return found


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
    return np.sqrt(np.mean(np.abs(MADE["transmissibility"](frequency_hz, MADE["BUSHES"][part])) ** 2))


def test_two_positions_are_asked_about_and_one_is_used(two_box_folder):
    with pytest.raises(CallError, match=r"more than one box position: say which .* --position, one of 'arm', 'sill'"):
        load_passes(two_box_folder, *NAMES)
    with pytest.raises(CallError, match="'roof': use one of 'arm', 'sill'"):
        load_passes(two_box_folder, *NAMES, position="roof")
    drives = load_passes(two_box_folder, *NAMES, position="sill")
    assert len(drives.passes) == 12
    assert {one.conditions.box_position for one in drives.passes} == {"sill"}
    assert not any("box positions" in warning or "more than once" in warning for warning in drives.warnings)


def test_a_pass_that_the_position_does_not_have_is_told(folder):
    (folder / "quarry-lane_rubber_2_sill.h5").unlink()
    drives = load_passes(folder, *NAMES, position="sill")
    assert [(one.capture, one.reason) for one in drives.excluded] == [
        ("quarry-lane_rubber_2_arm", "its pass was not recorded at 'sill'")
    ]


def test_the_gain_of_either_bush_and_its_change_are_the_textbooks(road):
    """Third-octave bands where half of the power or more follows; 24 segments of 2 s leave some per cent by chance."""
    judged = [(band, edges) for band, edges in zip(road.bands, EDGES_HZ, strict=True) if band.judged]
    assert [band.name for band, _ in judged][:2] == ["5", "6.3"]
    assert len(judged) >= 13
    for band, edges in judged:
        before, after = textbook("rubber", *edges), textbook("polyurethane", *edges)
        assert band.before == pytest.approx(before, rel=0.12)
        assert band.after == pytest.approx(after, rel=0.12)
        assert band.interval[0] < after / before * 1.02
        assert band.interval[1] > after / before / 1.02


def test_the_clocks_are_brought_together(road):
    """1.37 s apart, of which the host said 1.34; oscillators +0.8 and −0.5 %, whose rates the captures know."""
    assert len(road.passes) == 6
    for one in road.passes:
        assert one.offset_s == pytest.approx(-1.37, abs=4e-3)  # the path's own delay is in it
        assert abs(one.drift_ppm) < 60
        assert one.agreeing >= one.windows - 2


def test_words_say_which_bands_changed_and_which_were_lost(road):
    assert road.words.startswith("quarry-lane: ")
    assert "sill follows arm more with polyurethane than with rubber" in road.words
    assert "3 and 3 passes" in road.words


def test_it_is_plain_data(road):
    assert json.dumps(plain(asdict(road)), allow_nan=False)


def test_what_cannot_be_paired_is_left_out_with_the_reason(folder):
    (folder / "quarry-lane_rubber_1_arm.h5").unlink()
    with h5py.File(folder / "quarry-lane_rubber_2_arm.h5", "r+") as file:
        set_attributes(file, {"started_utc": ""})
    with h5py.File(folder / "quarry-lane_polyurethane_1_arm.h5", "r+") as file:
        set_attributes(file, {"started_utc": "2026-03-14T11:00:00+00:00"})
    shutil.copy(folder / "quarry-lane_polyurethane_3_arm.h5", folder / "another.h5")
    with h5py.File(folder / "another.h5", "r+") as file:  # of the same pass, and driven at another time
        set_attributes(file, {"started_utc": "2026-03-14T12:00:00+00:00"})
    with h5py.File(folder / "quarry-lane_polyurethane_2_arm.h5", "r+") as file:
        file["acceleration"][:] = np.random.default_rng(3).normal([0, 0, 2048], 100, file["acceleration"].shape)
    (road,) = transfers(load_passes(folder, *NAMES, position="sill"), "arm")
    reasons = {one.capture: one.reason for one in road.excluded}
    assert "has no capture at the input's position" in reasons["quarry-lane_rubber_1_sill"]
    assert "does not say when it began" in reasons["quarry-lane_rubber_2_sill"]
    assert "it shares 0.0 s with its input" in reasons["quarry-lane_polyurethane_1_sill"]
    assert "no more than by chance" in reasons["quarry-lane_polyurethane_2_sill"]
    assert [one.capture for one in road.passes] == ["quarry-lane_rubber_3_sill", "quarry-lane_polyurethane_3_sill"]
    assert not any(band.interval for band in road.bands)
    assert "no change can be told from chance" in road.words


def test_an_input_that_is_not_there_is_one_line(two_box_folder, folder):
    drives = load_passes(two_box_folder, *NAMES, position="sill")
    with pytest.raises(CallError, match="'roof': positions are 'arm', 'sill'"):
        transfers(drives, "roof")
    with pytest.raises(CallError, match="'sill' is the position that is compared"):
        transfers(drives, "sill")
    for path in folder.glob("*arm.h5"):
        with h5py.File(path, "r+") as file:
            set_attributes(file, {"started_utc": ""})
    with pytest.raises(AnalysisError, match="no pass has a usable input at 'arm'; quarry-lane_rubber_1_sill: "):
        transfers(replace(drives, folder=folder), "arm")
