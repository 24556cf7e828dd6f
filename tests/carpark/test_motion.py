"""What of a capture is a drive over the road, by the commands: standing, pulling away, marks; and what `show` shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from towertap.capture.speed_log import SpeedLog
from towertap.motion import CELL_S, DriveCourse, Moving, standing

MOUNTED = {"mounting": "x=+X,y=+Y,z=+Z"}


@pytest.fixture
def recorded(make_capture, by_hand, simulated):
    """A function that makes a capture of 24 s on the lane, with a stop of 6 s or without one, and with marks."""
    from towertap.capture.conditions import Conditions

    def record(stop_s=None, marks=()):
        counts = simulated.motion("quarry-lane", 1.0, 3, seconds=24, stop_s=stop_s)
        rate_hz = simulated.rate_hz
        frames = by_hand.recording(rate_hz=float(rate_hz), counts=counts)
        for at_s, text in sorted(marks, reverse=True):
            sample = round(at_s * rate_hz)
            mark = by_hand.frame(3, text.encode(), first=sample, clock=round(at_s * 1e6) + 1000)
            frames.insert(1 + sample // 32, mark)
        return make_capture(
            by_hand.numbered(frames), conditions=Conditions(road="quarry-lane", part="rubber", **MOUNTED)
        )

    return record


@pytest.fixture
def left_out(answer):
    """A function from a capture and options to what its analysis leaves out."""
    return lambda capture, *options: answer("analyse", capture, *options)["left_out_s"]


def test_a_stop_is_left_out_with_what_leads_to_it_and_out_of_it_unless_all_is_wanted(left_out, recorded):
    """Braking for 3 s, standing for 6, pulling away for 3; the last metre is rolled so slowly that it counts either."""
    capture = recorded(stop_s=8.0)
    seconds = left_out(capture)
    assert seconds["standing"] == pytest.approx(6.5, abs=1)
    assert sum(seconds.values()) == pytest.approx(12.5, abs=1)
    assert left_out(capture, "--whole") == {}
    assert left_out(recorded()) == {}


def test_marks_named_start_and_stop_cut_the_pass(left_out, recorded):
    assert left_out(recorded(marks=[(6.0, "start"), (20.0, "stop")])) == {
        "outside the marks start and stop": pytest.approx(10.0, abs=0.2)
    }


def test_a_picture_and_a_few_lines_show_a_capture(run, answer, recorded, tmp_path):
    capture = recorded(stop_s=8.0, marks=[(6.0, "mark 1")])
    shown = answer("show", capture, "--out", tmp_path / "drive.png")
    assert (tmp_path / "drive.png").read_bytes().startswith(b"\x89PNG")
    assert [(mark["text"], round(mark["time_s"])) for mark in shown["marks"]] == [("mark 1", 6)]
    assert shown["left_out_s"]["standing"] > 5
    assert "does not say its pass_number" in shown["problem"]
    assert run("show", capture, "--out", tmp_path / "none" / "a.png")[0] == 2


def test_who_looks_at_a_capture_is_told_what_that_means_for_striking_it_out(run, recorded, tmp_path):
    call = ("show", recorded(), "--out", tmp_path / "drive.png")
    assert "if you strike the pass out later, that is noted" in run(*call)[1]
    assert "had been shown before" in run("drop", call[1], "--reason", "traffic")[1]
    assert "if you strike the pass out" not in run(*call)[1]


def test_a_pass_that_stands_throughout_is_none_when_it_is_recorded_and_when_it_is_listed(run, playing_box, tmp_path):
    """Told a time the box of these tests plays a standstill."""
    said = ("--vehicle", "minibus", "--part", "rubber", "--road", "lane", "--pass", 1, "--mounting", "x=+X,y=+Y,z=+Z")
    port = playing_box([]).path
    status, out, _ = run("record", "--out", tmp_path, "--port", port, "--odr-hz", 1000, "--seconds", 16, *said)
    assert status == 0, out
    assert "sound, but not a pass: no window of a drive is left: 16." in " ".join(out.split())
    assert "NOT USED: no window of a drive is left: 16." in run("list", tmp_path)[1]


def test_a_pass_that_its_marks_cut_away_is_listed_as_none(answer, recorded):
    capture = recorded(marks=[(6.0, "start"), (6.4, "stop")])
    (listed,) = answer("list", capture.parent)["recordings"]
    assert not listed["used"]
    assert "outside the marks start and stop" in listed["why_not"]


def course(level_ms2, sway_rads):
    """Half a minute of driving, half a minute at rest and as much driving again, in cells."""
    rng, n = np.random.default_rng(5), round(30 / CELL_S)
    share = np.repeat([1.0, 0.0, 1.0], n)
    level = np.hypot(0.5 * share * np.exp(0.3 * rng.standard_normal(3 * n)), level_ms2)
    turning = np.radians(0.5) * share[:, None] * rng.standard_normal((3 * n, 3))
    turning += sway_rads * rng.standard_normal((3 * n, 3))
    return DriveCourse(np.zeros(3 * n), level, turning), share == 0


@pytest.mark.parametrize("gyroscope", [True, False])
def test_standing_is_found_and_driving_is_not_taken_for_it(gyroscope):
    felt, truth = course(level_ms2=0.05, sway_rads=np.radians(0.02))
    stands = standing(felt if gyroscope else replace(felt, turning_rads=None))
    assert (stands & ~truth).sum() * CELL_S <= 2.0
    assert stands[truth].mean() > 0.9


def test_a_door_that_is_slammed_does_not_part_a_stand():
    felt, _ = course(level_ms2=0.05, sway_rads=np.radians(0.02))
    slammed = felt.level_ms2.copy()
    slammed[450:455] = 0.2
    assert standing(replace(felt, level_ms2=slammed))[440:465].all()


def test_a_speed_log_shows_standing_that_the_signal_does_not():
    nothing = np.zeros(400, bool)
    time_s = np.arange(0, 41.0)
    speed_ms = np.interp(time_s, [0, 15, 18, 22, 26, 41], [11, 11, 0, 0, 11, 11])
    log = SpeedLog("log.csv", time_s, speed_ms)
    cut = Moving(nothing, nothing, nothing, nothing).with_log(log)
    assert cut.seconds()["standing"] == pytest.approx(4.5, abs=0.5)
    assert 2 < cut.seconds()["pulling away or braking"] < 7
