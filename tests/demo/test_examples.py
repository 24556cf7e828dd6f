"""The example captures are what their page says, and the raw recordings still decode to them."""

import re
from pathlib import Path

import h5py
import numpy as np
import pytest
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture

from tests.by_hand import plain_counts
from tests.demo import make_examples

FOLDER = Path(__file__).parents[2] / "example_captures"
SOUND = ["bypass_rubber-bush_pass01", "quarry-lane_polyurethane-bush_pass01", "quarry-lane_rubber-bush_pass01"]
DAMAGED = "quarry-lane_rubber-bush_pass02"
TRUE_PPM = ((1 + 8200e-6) / (1 - 14e-6) - 1) * 1e6  # oscillator against crystal, both as set


def found(path):
    with open_capture(path) as capture:
        return check(capture)


def test_they_are_few_small_and_told_of_on_the_page():
    names = {path.stem for path in FOLDER.glob("*.ttraw")}
    assert names == {*SOUND, DAMAGED} == {drive.name for drive in make_examples.DRIVES}
    assert names == set(re.findall(r"^\| `(\S+)` \|", (FOLDER / "README.md").read_text(encoding="utf-8"), re.M))
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 4e6


@pytest.mark.parametrize("name", [*SOUND, DAMAGED])
def test_the_raw_bytes_decode_to_the_capture(name, tmp_path):
    decoded = decode_raw(FOLDER / f"{name}.ttraw", tmp_path / "again.h5")
    with h5py.File(decoded) as again, h5py.File(FOLDER / f"{name}.h5") as kept:
        for dataset in ("acceleration_differences", "rotation_differences", "frame_differences"):
            assert np.array_equal(again[dataset][:], kept[dataset][:])
        assert again.attrs["raw_sha256"] == kept.attrs["raw_sha256"]


@pytest.mark.parametrize("name", [*SOUND, DAMAGED])
def test_each_holds_its_conditions_and_that_it_is_invented(name):
    with open_capture(FOLDER / f"{name}.h5") as capture:
        conditions = capture.conditions
    assert name == f"{conditions.road}_{conditions.part}_pass{conditions.pass_number:02d}"
    assert "Invented" in conditions.notes


@pytest.mark.parametrize("name", SOUND)
def test_the_sound_ones_are_sound(name):
    integrity = found(FOLDER / f"{name}.h5")
    assert integrity.sound, integrity.reasons
    assert integrity.samples == 10 * 4000
    assert integrity.rate_ppm == pytest.approx(TRUE_PPM, abs=0.5)


def test_the_damaged_one_shows_its_damage_and_where():
    integrity = found(FOLDER / f"{DAMAGED}.h5")
    assert not integrity.sound
    assert [(gap["row"], gap["missing"], gap["reason"]) for gap in integrity.gaps] == [
        (8064, 37, "overflow"),
        (20096, 96, "link"),
    ]
    assert [gap["at_s"] for gap in integrity.gaps] == pytest.approx([2.0, 5.0], abs=32 / 4000)  # one frame
    assert (integrity.bad_frames, integrity.fifo_overflows, integrity.missing_samples) == (3, 1, 133)
    assert integrity.rate_ppm == pytest.approx(TRUE_PPM, abs=0.5)


def test_made_again_they_hold_the_same_samples(tmp_path):
    make_examples.make(tmp_path)
    for name in (*SOUND, DAMAGED):
        with h5py.File(tmp_path / f"{name}.h5") as again, h5py.File(FOLDER / f"{name}.h5") as kept:
            difference = plain_counts(again, "acceleration").astype(int) - plain_counts(kept, "acceleration")
            assert np.abs(difference).max() <= 1  # another processor's last digit may tip a count
