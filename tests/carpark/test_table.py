"""What goes wrong on a day of drives, each by the commands, on simulated drives: none of it ends in a wrong answer."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

CALL = ("--before", "rubber", "--after", "polyurethane", "--smooth", "bypass")
WRONG = "x=+Y,y=+Z,z=+X"
TRUE = "x=+X,y=+Y,z=+Z"


@pytest.fixture
def compared(answer):
    """A function that gives what `compare` answers."""
    return lambda folder, *options: answer("compare", folder, *CALL, *options)


def of_jerk(comparison):
    (finding,) = (finding for finding in comparison["findings"] if finding["metric"] == "jerk_z")
    return finding


def cautions(comparison):
    return " ".join(caution["words"] for caution in comparison["cautions"])


def is_rough_after(key):
    return key[:2] == ("polyurethane", "quarry-lane")


@pytest.mark.parametrize("wrong", [("rubber", "polyurethane"), ("polyurethane",)], ids=["everywhere", "on one side"])
def test_a_wrong_mounting_is_refused_with_one_that_fits_and_can_be_corrected(
    run, drives, compared, tmp_path, wrong, refused
):
    def mount(key, counts, said):
        return counts, replace(said, mounting=WRONG) if key[0] in wrong else said

    folder = drives(tmp_path / "drives", passes=2, change=mount)
    refused("compare", folder, *CALL)
    capture = folder / "bypass_polyurethane_pass01.h5"
    status, out, _ = run("check", capture)
    assert status == 1
    assert "gravity is 90° from the declared up (mean over the drive" in out
    assert f"'{WRONG}' does not fit, x=+Y,y=-X,z=+Z would" in out
    assert run("correct", *folder.glob("*.h5"), "--box-position", "sill", "--mounting", TRUE)[0] == 0
    assert not compared(folder)["excluded"]


def test_sides_whose_boxes_lean_differently_are_told(drives, compared, tmp_path):
    def lean(key, counts, said):
        if key[0] != "polyurethane":
            return counts, said
        cos, sin = np.cos(np.radians(5)), np.sin(np.radians(5))
        turn = np.eye(6)
        turn[np.ix_([0, 2], [0, 2])] = [[cos, sin], [-sin, cos]]
        return np.rint(counts @ turn.T).astype(int), said

    assert "5° " in cautions(compared(drives(tmp_path / "drives", passes=2, change=lean)))


def test_up_is_not_taken_from_gravity_on_the_move(refused, drives, tmp_path):
    folder = drives(tmp_path / "drives", passes=1, roads=("bypass",))
    capture = folder / "bypass_rubber_pass01.h5"
    err = refused("analyse", capture, "--mounting", "x=+X,z=gravity")
    assert "rest" in err


def test_a_misspelt_part_is_listed_pointed_out_and_corrected(run, answer, drives, compared, tmp_path):
    def misspell(key, counts, said):
        return counts, replace(said, part="poly-urethan") if key == ("polyurethane", "quarry-lane", 3) else said

    folder = drives(tmp_path / "drives", change=misspell)
    comparison = compared(folder)
    (left_out,) = comparison["excluded"]
    assert left_out["capture"] == "quarry-lane_polyurethane_pass03"
    assert "'poly-urethan', which is nearly 'polyurethane'" in left_out["reason"]
    listed = answer("list", folder)
    assert len(listed["recordings"]) == 12
    assert any("'poly-urethan'" in doubt for doubt in listed["doubts"])
    assert run("correct", folder / "quarry-lane_polyurethane_pass03.h5", "--part", "polyurethane")[0] == 0
    comparison = compared(folder)
    assert (comparison["excluded"], of_jerk(comparison)["passes"]) == ([], [3, 3])


def test_a_pass_number_given_twice_is_listed_as_used_and_doubted_until_one_is_struck_out(
    run, answer, drives, compared, tmp_path
):
    def number(key, counts, said):
        return counts, replace(said, pass_number=2) if key == ("rubber", "quarry-lane", 3) else said

    folder = drives(tmp_path / "drives", change=number)
    listed = answer("list", folder)
    assert all(recording["used"] for recording in listed["recordings"])
    assert of_jerk(compared(folder))["passes"] == [3, 3]
    assert ["pass 2 on quarry-lane with rubber exists 2 times" in doubt for doubt in listed["doubts"]] == [True]
    twin = folder / "quarry-lane_rubber_pass03.h5"
    assert run("drop", twin, "--reason", "gave way to a tractor")[0] == 0
    assert answer("list", folder)["doubts"] == []
    comparison = compared(folder)
    assert ["gave way to a tractor" in left_out["reason"] for left_out in comparison["excluded"]] == [True]
    assert of_jerk(comparison)["passes"] == [2, 3]


def test_copies_are_listed_as_compare_uses_them_and_two_labels_refused_by_both_files(
    run, answer, refused, drives, compared, tmp_path
):
    folder = drives(tmp_path / "drives")
    copy = folder / "quarry-lane_rubber_pass09.h5"
    shutil.copy(folder / "quarry-lane_rubber_pass01.h5", copy)
    used = {Path(entry["recording"]).stem: entry["used"] for entry in answer("list", folder)["recordings"]}
    (left_out,) = compared(folder)["excluded"]
    assert [name for name, is_used in used.items() if not is_used] == [left_out["capture"]] == [copy.stem]
    assert run("correct", copy, "--part", "polyurethane")[0] == 0
    both = "quarry-lane_rubber_pass01 (rubber on quarry-lane) and quarry-lane_rubber_pass09 (polyurethane on"
    error = refused("compare", folder, *CALL)
    assert both in error
    assert "towertap correct" in error
    assert any(both in doubt for doubt in answer("list", folder)["doubts"])
    assert run("drop", copy, "--reason", "a copy")[0] == 0
    assert of_jerk(compared(folder))["passes"] == [3, 3]


def test_a_pass_recorded_again_without_its_box_position_is_told_until_it_is_struck_out(
    run, answer, refused, drives, compared, tmp_path
):
    def place(key, counts, said):
        again = key == ("rubber", "quarry-lane", 3)
        return counts, replace(said, pass_number=2 if again else key[2], box_position="" if again else "sill")

    folder = drives(tmp_path / "drives", change=place)
    says = "recorded at more than one box position"
    assert says in refused("compare", folder, *CALL)
    assert any(says in doubt for doubt in answer("list", folder)["doubts"])
    twin = folder / "quarry-lane_rubber_pass03.h5"
    assert run("drop", twin, "--reason", "recorded twice")[0] == 0
    assert answer("list", folder)["doubts"] == []
    assert of_jerk(compared(folder))["passes"] == [2, 3]


def test_a_capture_that_cannot_be_read_is_listed_by_its_name(run, drives, tmp_path):
    folder = drives(tmp_path / "drives", passes=1)
    capture = folder / "bypass_rubber_pass01.h5"
    capture.write_bytes(capture.read_bytes()[:5000])
    assert "bypass_rubber_pass01.h5: –  NOT USED: cut off" in run("list", folder)[1]


def test_a_smooth_road_of_pure_standstill_is_refused(refused, drives, simulated, tmp_path):
    def stand(key, counts, said):
        return simulated.standstill(14, 0.02) if key[1] == "bypass" else counts, said

    err = refused("compare", drives(tmp_path / "drives", passes=2, change=stand), *CALL)
    assert "14.1 s standing of 14 s are left out" in err


def test_stops_in_passes_of_one_side_are_left_out_and_change_nothing(drives, compared, simulated, tmp_path):
    def stop(key, counts, said):
        stop_s = 8.0 if is_rough_after(key) and key[2] <= 2 else None
        seed = 10 * key[2] + (key[0] == "rubber")
        return simulated.motion(key[1], 1.0, seed, seconds=24, stop_s=stop_s), said

    comparison = compared(drives(tmp_path / "drives", change=stop))
    finding = of_jerk(comparison)
    assert finding["basis"] == "rough places"
    assert finding["ratio"] == pytest.approx(1, abs=0.02)
    assert finding["on_these_drives"] not in ("harsher", "gentler")
    assert "slower" not in cautions(comparison), "standing is no slow driving"


IDLE_MS2 = 2.5


@pytest.fixture
def beside_a_strong_engine(drives, simulated, tmp_path):
    """A function that writes drives whose road is 15 % rougher after, the engine making half of the power.

    The first smooth pass stands for so many seconds, or none does.
    """

    def write(stand_s=None):
        def idle(key, counts, said):
            factor = 1.15 if is_rough_after(key) else 1.0
            seed = 100 * key[2] + (key[0] == "rubber")
            stop = {"seconds": 24, "stop_s": 8.0, "stand_s": stand_s} if stand_s and key[1:] == ("bypass", 1) else {}
            return simulated.motion(key[1], factor, seed, idle_ms2=IDLE_MS2, **stop), said

        return drives(tmp_path / "drives", change=idle)

    return write


def test_a_change_beside_an_engine_of_half_the_power_cannot_be_judged(
    run, beside_a_strong_engine, compared, playing_box
):
    """The idling is recorded as a day does it; a true +15 % of the road's part reads as half of that."""
    folder = beside_a_strong_engine()
    port = playing_box([], idle_ms2=IDLE_MS2).path
    words = ("--vehicle", "minibus", "--mounting", TRUE, "--port", port, "--odr-hz", 1000)
    assert run("record", "--idle", "--out", folder, *words)[0] == 0
    comparison = compared(folder)
    finding = of_jerk(comparison)
    assert 0.5 < finding["noise"]["share"] < 0.6
    assert finding["ratio"] < 1.1
    assert (finding["noise"]["of"], finding["verdict"]) == ("idle", "undecided")
    assert comparison["answer"]["verdict"] == "not judged"


def test_an_engine_that_was_not_recorded_is_heard_where_a_pass_stands(beside_a_strong_engine, compared):
    finding = of_jerk(compared(beside_a_strong_engine(stand_s=10.0)))
    assert (finding["noise"]["of"], finding["on_these_drives"]) == ("stand", "undecided")
    assert 0.5 < finding["noise"]["share"] < 0.6


def test_beside_an_engine_that_nothing_tells_of_no_change_is_called_equivalent(beside_a_strong_engine, compared):
    comparison = compared(beside_a_strong_engine())
    finding = of_jerk(comparison)
    assert max(finding["interval_90"]) < 1.1
    assert (finding["noise"]["of"], finding["on_these_drives"]) == ("unrecorded", "undecided")
    assert "The engine was not recorded idling: up to " in comparison["cautions"][0]["words"]
    assert comparison["answer"]["next_step"].startswith("Record the engine idling with 'towertap record --idle'")


def test_two_roads_under_one_name_are_not_judged_unless_asked(drives, compared, simulated, tmp_path):
    def other(key, counts, said):
        return simulated.motion("bypass", 5.0, key[2]) if is_rough_after(key) else counts, said

    folder = drives(tmp_path / "drives", change=other)
    comparison = compared(folder)
    assert "these may not be one road" in of_jerk(comparison)["not_one_road"]
    assert of_jerk(comparison)["verdict"] == "undecided"
    assert comparison["answer"]["verdict"] == "not judged"
    assert of_jerk(compared(folder, "--judge-unaligned"))["basis"] == "whole passes"


def test_clipped_passes_are_used_and_the_verdict_told_without_them(answer, drives, compared, tmp_path):
    def clip(key, counts, said):
        if is_rough_after(key) and key[2] == 1:
            counts[7000, 2] = 32767
        return counts, said

    folder = drives(tmp_path / "drives", 1.15, passes=4, change=clip)
    listed = answer("list", folder)["recordings"]
    assert [(recording["used"], recording["clipped_samples"]) for recording in listed if not recording["sound"]] == [
        (True, 1)
    ], "to drive it again would choose by the outcome"
    comparison = compared(folder)
    assert of_jerk(comparison)["passes"] == [4, 4]
    assert of_jerk(comparison)["verdict"] == "harsher"
    cautioned = cautions(comparison)
    assert (
        "Used without the windows that clipping or an overflow touched: quarry-lane_polyurethane_pass01." in cautioned
    )
    assert "Without the passes that clipped or overflowed every verdict is the same." in cautioned
    assert "1 pass with polyurethane clipped and none with the other part" in cautioned
    assert "a lower bound" in cautioned


def test_passes_clipped_too_often_are_left_out_and_that_is_told_as_no_selection(drives, compared, tmp_path):
    def clip(key, counts, said):
        if is_rough_after(key) and key[2] <= 2:
            counts[5000::1500, 2] = 32767
        return counts, said

    comparison = compared(drives(tmp_path / "drives", 1.15, passes=4, change=clip))
    assert of_jerk(comparison)["passes"] == [4, 2]
    assert all("is touched, too much to use the rest" in left_out["reason"] for left_out in comparison["excluded"])
    assert "2 passes with polyurethane clipped and none with the other part" in cautions(comparison)
