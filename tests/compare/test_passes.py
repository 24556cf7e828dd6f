"""From a folder of captures, decoded from hand-built frames, to passes: what is taken, left out, warned of, refused."""

from __future__ import annotations

import shutil

import h5py
import numpy as np
import pytest
from towertap.capture.conditions import Conditions
from towertap.capture.schema import set_attributes
from towertap.compare.drives.folder import DRIFT, load_passes
from towertap.errors import AnalysisError, CallError, FileError

NAMES = ("soft", "stiff", "bypass")


@pytest.fixture
def folder(drive_folder, tmp_path):
    """A copy that a test may spoil."""
    copy = tmp_path / "drives"
    copy.mkdir()
    for capture in drive_folder.glob("*.h5"):
        shutil.copy(capture, copy)
    return copy


@pytest.fixture
def add(folder, make_capture, by_hand):
    """A function that adds a capture of white noise to the folder; keywords are conditions."""

    def make(name, *, seconds=5, odr_hz=1000, spread=100, **conditions):
        n = seconds * odr_hz
        counts = np.rint(np.random.default_rng(len(name)).normal([0, 0, 2048, 0, 0, 0], spread, (n, 6))).astype(int)
        frames = by_hand.recording(seconds, rate_hz=float(odr_hz), odr_hz=odr_hz, counts=counts)
        said = {"vehicle": "minibus", "part": "soft", "road": "quarry-lane", "pass_number": 9, "speed_kmh": 40.0}
        said = Conditions(**{**said, "mounting": "x=+X,y=+Y,z=+Z", **conditions})
        shutil.move(make_capture(frames, name, said), folder / f"{name}.h5")

    return make


def one_line(error):
    return "\n" not in str(error.value)


def test_all_named_passes_are_there_with_their_windows(folder):
    done = []
    drives = load_passes(folder, *NAMES, on_progress=lambda *step: done.append(step))
    assert len(drives.passes) == 12
    assert (drives.rough_roads, drives.excluded, drives.warnings) == (("moor-road", "quarry-lane"), (), ())
    assert [one.name for one in drives.of("bypass", "after")] == ["bypass-stiff-1", "bypass-stiff-2"]
    assert done == [(step, 12) for step in range(12)]
    for one in drives.passes:
        assert one.integrity.sound
        assert one.windows["jerk_z"].gt(0).all()


def test_only_metrics_that_are_rms_and_that_the_rate_carries_are_offered(folder):
    """At 1 kHz the band 100–500 Hz is not carried; a dose or a peak has no energy mean over windows."""
    names = {quantity.name for quantity in load_passes(folder, *NAMES).quantities}
    assert {"jerk_z", "weighted_z", "acceleration_z", "harshness_z"} <= names
    assert not names & {"structure_borne_z", "vdv_z", "mtvv_z", "crest_factor_z"}


def test_captures_of_other_parts_are_not_touched(folder, add):
    add("other", part="wooden", odr_hz=2000)
    assert len(load_passes(folder, *NAMES).passes) == 12


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (("soft", "hard", "bypass"), "part 'hard': parts are 'soft', 'stiff'; roads are 'bypass', 'moor-road'"),
        (("firm", "stiff", "bypass"), "part 'firm': parts are"),
        (("soft", "stiff", "motorway"), "road 'motorway': roads are 'bypass', 'moor-road', 'quarry-lane'; parts are"),
        (("soft", "soft", "bypass"), "both name 'soft'"),
    ],
)
def test_a_name_that_matches_nothing_is_refused_with_the_names_there_are(folder, names, says):
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
    for path in [*folder.glob("moor-*"), *folder.glob("quarry-*")]:
        path.unlink()
    with pytest.raises(CallError, match="record a rough road"):
        load_passes(folder, *NAMES)


def test_captures_that_cannot_be_used_are_left_out_with_the_reason(folder, add):
    (folder / "empty.h5").touch()
    cut = (folder / "moor-road-soft-1.h5").read_bytes()
    (folder / "moor-road-soft-1.h5").write_bytes(cut[: len(cut) // 2])
    shutil.copy(folder / "quarry-lane-soft-1.h5", folder / "quarry-lane-soft-3.h5")
    add("short", seconds=1)
    add("unmounted", mounting="")
    drives = load_passes(folder, *NAMES)
    reasons = {one.capture: one.reason for one in drives.excluded}
    assert len(drives.passes) == 11
    assert reasons.keys() == {"empty", "moor-road-soft-1", "quarry-lane-soft-3", "short", "unmounted"}
    assert reasons["quarry-lane-soft-3"] == "the same recording as quarry-lane-soft-1"
    assert "empty" in reasons["empty"]
    assert "long enough" in reasons["short"]
    assert "mounted" in reasons["unmounted"]


def test_an_unsound_capture_is_left_out_unless_asked_for_and_then_told(folder):
    with h5py.File(folder / "moor-road-stiff-2.h5", "r+") as file:
        file["acceleration"][100:4000, 2] = 32767
    (left_out,) = load_passes(folder, *NAMES).excluded
    assert left_out.capture == "moor-road-stiff-2"
    assert "not sound" in left_out.reason
    drives = load_passes(folder, *NAMES, include_unsound=True)
    assert len(drives.passes) == 12
    assert any("moor-road-stiff-2 is not sound" in warning for warning in drives.warnings)


def test_different_sample_rates_are_refused_by_name(folder, add):
    add("faster", odr_hz=2000)
    with pytest.raises(AnalysisError, match=r"1000 Hz: .*; 2000 Hz: faster") as error:
        load_passes(folder, *NAMES)
    assert one_line(error)


@pytest.mark.parametrize(
    ("conditions", "says"),
    [
        ({"mounting": "x=+Y,y=-X,z=+Z"}, "mountings differ between captures"),
        ({"vehicle": "lorry"}, "vehicles differ"),
        ({"box_position": "left sill"}, "box positions differ"),
        ({"tyre_pressures_kpa": "200, 200, 200, 200"}, "tyre pressures differ"),
        ({"speed_kmh": 55.0}, "speed aimed at on quarry-lane differs: 40, 55 km/h before, 40 km/h after"),
        ({"pass_number": 2}, "pass 2 on quarry-lane is there more than once before"),
        ({"road": "new-road"}, "new-road was driven on one side only"),
    ],
)
def test_what_differs_beside_the_part_is_warned_of(folder, add, conditions, says):
    add("odd", **conditions)
    (warning,) = load_passes(folder, *NAMES).warnings
    assert says in warning


def test_a_warmer_day_after_the_change_is_warned_of(folder, add):
    add("cold", air_temperature_c=4.0)
    add("warmer", part="stiff", air_temperature_c=19.0)
    (warning,) = load_passes(folder, *NAMES).warnings
    assert "the air on quarry-lane was 4 °C before and 19 °C after the change" in warning


def test_air_that_varied_over_the_passes_is_warned_of_without_a_plan(folder, add):
    add("cold", air_temperature_c=7.9)
    add("warmer", part="stiff", air_temperature_c=12.0)
    add("warmest", part="stiff", road="moor-road", air_temperature_c=15.2)
    (warning,) = load_passes(folder, *NAMES).warnings
    assert warning == "the air went from 7.9 to 15.2 °C over the passes, more than 5 °C"


def test_the_order_of_the_drives_is_held_against_before_and_after(folder):
    """ISO 8601 times: all soft in the morning, all stiff an hour later; then one stiff pass before the soft ones."""

    def start(name, time):
        with h5py.File(folder / f"{name}.h5", "r+") as file:
            set_attributes(file, {"started_utc": f"2026-05-04T{time}:00+00:00"})

    for path in folder.glob("*.h5"):
        start(path.stem, "09:00" if "soft" in path.stem else "10:00")
    assert load_passes(folder, *NAMES).warnings == (DRIFT,)
    swapped, drift = load_passes(folder, "stiff", "soft", "bypass").warnings
    assert drift == DRIFT
    assert swapped == (
        'every pass with stiff ("before") was driven after every pass with soft ("after"); if that is not what was '
        "done, swap --before and --after"
    )
    start("moor-road-stiff-2", "08:00")
    assert load_passes(folder, *NAMES).warnings == ()


def test_nothing_usable_is_refused_with_the_first_reason(folder):
    for path in folder.glob("*.h5"):
        with h5py.File(path, "r+") as file:
            file["acceleration"][:, 2] = 0
    with pytest.raises((AnalysisError, FileError), match="none of 12 captures can be used; bypass-soft-1: not sound"):
        load_passes(folder, *NAMES)
