"""A pilot's spread from captures: what is pooled, and what is left out."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.capture.reading import open_capture
from towertap.compare.plan import pilot
from towertap.compare.plan.pilot import load_pilot
from towertap.errors import AnalysisError, CallError
from towertap.signals.metrics import METRICS, THIRDS

ROADS = ("moor-road", "quarry-lane")


def test_the_spread_is_pooled_over_parts_and_roads(drive_folder):
    """The definition of a pooled variance: two passes have half their squared difference as the sum of squares."""
    logs = {}
    for path in drive_folder.glob("*.h5"):
        with open_capture(path) as capture:
            if capture.conditions.road in ROADS:
                windows = analyse_capture(capture, metrics=[*METRICS, *THIRDS]).windows["acceleration_z"]
                logs.setdefault(path.stem[:-2], []).append(np.log(np.sqrt((windows**2).mean())))
    squares = sum(np.diff(pair).item() ** 2 / 2 for pair in logs.values())
    got = load_pilot(drive_folder, "acceleration_z", ROADS)
    assert (got.df, got.left_out) == (4, ())
    assert got.sd == pytest.approx(np.sqrt(squares / 4 / 2)), "from rounds over two roads that vary independently"
    assert "2 over quarry-lane with soft" in got.words
    assert "if 2 roads vary independently" in got.words
    assert got.planned == pytest.approx(got.sd * np.sqrt(4 / 3.357), rel=1e-3), "the median of χ², printed tables"


def test_rounds_are_used_directly_if_there_are_enough(drive_folder, monkeypatch):
    """By the definition: the mean of each round over both roads, pooled over the parts."""
    monkeypatch.setattr(pilot, "FEWEST_DF", 2)
    rounds = {}
    for path in drive_folder.glob("*.h5"):
        with open_capture(path) as capture:
            conditions = capture.conditions
            if conditions.road in ROADS:
                level = analyse_capture(capture, metrics=[*METRICS, *THIRDS]).whole["acceleration_z"]
                rounds.setdefault((conditions.part, conditions.pass_number), []).append(np.log(level))
    means = {key: np.mean(logs) for key, logs in rounds.items() if len(logs) == 2}
    squares = sum((means[part, 1] - means[part, 2]) ** 2 / 2 for part in ("soft", "stiff"))
    got = load_pilot(drive_folder, "acceleration_z", ROADS)
    assert (got.sd, got.df) == (pytest.approx(np.sqrt(squares / 2)), 2)
    assert "from round to round; planned with" in got.words


def test_copies_and_files_that_do_not_open_are_left_out(drive_folder, tmp_path):
    for number in (1, 2):
        shutil.copy(drive_folder / f"moor-road-soft-{number}.h5", tmp_path)
    shutil.copy(drive_folder / "moor-road-soft-1.h5", tmp_path / "moor-road-soft-3.h5")
    (tmp_path / "notes.h5").write_text("not HDF5")
    got = load_pilot(tmp_path, "acceleration_z", ROADS)
    assert got.df == 1
    assert sorted(line.split(":")[0] for line in got.left_out) == ["moor-road-soft-3", "notes"]


def test_a_folder_without_a_pass_over_the_roads_is_refused_with_its_roads(drive_folder, tmp_path):
    with pytest.raises(CallError, match="its roads are bypass, moor-road, quarry-lane"):
        load_pilot(drive_folder, "acceleration_z", ["green-lane"])
    with pytest.raises(CallError, match="no captures"):
        load_pilot(tmp_path, "acceleration_z", ROADS)


def test_one_pass_is_no_pilot(drive_folder, tmp_path):
    shutil.copy(drive_folder / "moor-road-soft-1.h5", tmp_path)
    with pytest.raises(AnalysisError, match="two different passes"):
        load_pilot(tmp_path, "acceleration_z", ROADS)


def test_one_box_of_a_pilot_is_used_and_two_need_a_choice(two_box_folder):
    """A second box's captures are of the same passes, and would count them twice."""
    with pytest.raises(CallError, match=r"several boxes .'arm', 'sill'.: name one with --box-position"):
        load_pilot(two_box_folder, "acceleration_z", ["quarry-lane"])
    sill, arm = (load_pilot(two_box_folder, "acceleration_z", ["quarry-lane"], place) for place in ("sill", "arm"))
    assert sill.df == arm.df
    assert sill.sd != arm.sd
