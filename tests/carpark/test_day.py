"""A whole day at a terminal of 80 × 24: 24 drives that do not go smoothly and still end in the right verdict."""

import json
import subprocess
import time

import numpy as np
import pytest
from towertap.capture.conditions import read_sidecar
from towertap.capture.reading import open_capture
from towertap.compare.plan.plan import HeldConditions, read_plan, write_plan

from tests import plans
from tests.by_hand import STRAIGHT
from tests.conftest import TOWERTAP
from tests.terminal import Terminal

FACTOR = 1.4
SECONDS = 14.0
STOPPED, DEAF, PULLED, REDONE, SHORT = 5, 7, 9, 14, 19
"""Numbers of drives as they are driven: one with a stop, one before which the box does not start, one that loses its
cable, one with traffic, one too short."""
NOTE = "rear seat out"


@pytest.fixture(scope="module")
def plan_path(tmp_path_factory):
    path = tmp_path_factory.mktemp("plan") / "plan.json"
    roads, hold = {"quarry-lane": 40.0, "bypass": 80.0}, HeldConditions(box_position="sill", mounting=STRAIGHT)
    write_plan(plans.plan(roads, passes=6, design="AB|B'A", seed=3, hold=hold), path)
    return path


def test_a_day_of_24_drives_that_goes_wrong_ends_in_the_right_verdict(plan_path, playing_box, tmp_path, simulated):
    plan, out = read_plan(plan_path), tmp_path / "drives"
    assert len(plan.drives) == 24
    order = driven_order(plan.drives)
    signals = [
        simulated.motion(drive.road, rough(drive), number, seconds, stop_s=6.0 if number == STOPPED else None)
        for number, (drive, seconds) in enumerate(order)
    ]
    box = playing_box(signals, pulled=[PULLED])
    terminal = Terminal("record", "--plan", plan_path, "--out", out, "--port", box.path, "--odr-hz", 1000, "--json")
    terminal.wait_for("Tyre pressures.*: ")
    terminal.press("300 kPa\r")
    terminal.wait_for("Air temperature.*: ")
    terminal.press("12\r")
    terminal.wait_for("Record the engine idling.*\\)")
    terminal.press("\r")
    began_at, fitting, settling = terminal.keys, (plan.drives[0].part, 1), 0
    waits = {"begin": [], "verdict": []}
    number = 0
    while number < len(order):
        drive, _ = order[number]
        of_drive = drive.part, plan.slots[drive.part, drive.road, drive.pass_number].installation
        if of_drive != fitting:
            again, fitting, before = of_drive[0] == fitting[0], of_drive, terminal.keys
            terminal.wait_for("OUT AND FIT IT AGAIN FIRST" if again else f"FIT {drive.part} FIRST")
            for question in ("Tyre pressures.*: ", "Air temperature.*: "):
                terminal.wait_for(question)
                terminal.press("\r")
            settling += terminal.keys - before
        _, shown = terminal.wait_for("q ends the day")
        if number == DEAF and "tries the box again" in shown:
            terminal.press("\r")
            continue
        assert f"{drive.road}, pass {drive.pass_number}" in shown
        assert max(len(line) for line in shown.splitlines() if line[:1] in "╭│╰") <= 80
        if number == 0:
            terminal.press("r\r")
            terminal.wait_for("nothing is recorded yet")
            terminal.wait_for("q ends the day")
        if number == REDONE:
            terminal.press(f"n\r{NOTE}\r")
            terminal.wait_for("q ends the day")
        assert (f"note: {NOTE}" in shown) == (number == REDONE + 1), "it is not typed again"
        box.played.clear()
        pressed = time.monotonic()
        terminal.press("\r")
        terminal.wait_for("Enter stops")
        waits["begin"].append(time.monotonic() - pressed)
        assert box.played.wait(30)
        time.sleep(0.1)
        box.deaf_to = int(number + 1 == DEAF)
        pressed = time.monotonic()
        terminal.press("\r")
        match, shown = terminal.wait_for(r"sound, \d|NOT usable")
        waits["verdict"].append(time.monotonic() - pressed)
        if match[0] == "NOT usable":
            terminal.wait_for("k keeps it")
            terminal.press("\r")
            assert number in (PULLED, SHORT)
        elif number == REDONE:
            terminal.wait_for("q ends the day")
            terminal.press("r\r")
            terminal.wait_for("Why is it repeated.*: ")
            terminal.press("traffic\r")
        number += 1
    terminal.wait_for("Enter ends the day")
    terminal.press("\r")
    status, answer = terminal.end()
    day = json.loads(answer)
    assert (status, len(day["drives"]), len(day["struck_out"]), day["left"]) == (0, 27, 3, [])
    assert terminal.bells >= 2 * 27
    assert [path.name for path in (out / "bench").glob("*.ttraw") if "-idle-" not in path.name] == []
    of_redone = 2 + 1 + 1 + len(f"n\r{NOTE}\rr\rtraffic\r") + 2 * 3  # their own two keys, Enter twice, what is typed
    of_others = 2 + len("r\r")  # the box tried again, the day ended; an r too soon
    assert terminal.keys - began_at - settling <= 2 * 24 + of_redone + of_others
    assert max(waits["begin"]) < 5, waits  # of a busy machine; the promise is held by the test of one drive
    noted = [raw for raw in out.glob("*.ttraw") if read_sidecar(raw)["conditions"].notes == NOTE]
    assert [struck(raw.with_suffix(".h5")) is None for raw in sorted(noted)] == [False, True]
    mistaken = next(path for path in out.glob("quarry-lane_polyurethane*.h5") if struck(path) is None)
    assert run("correct", mistaken, "--part", "polyurethan")[0] == 0
    wrong = next(out.glob("quarry-lane_polyurethan_*.h5"))
    listed = run("list", out, "--plan", plan_path)[1]
    assert "polyurethan" in listed
    assert "still to drive: 1 drive, " in listed
    assert run("correct", wrong, "--part", "polyurethane")[0] == 0
    status, answer, error = run("compare", out, "--plan", plan_path, "--json")
    assert status == 0, error
    comparison = json.loads(answer)
    (finding,) = [finding for finding in comparison["findings"] if finding["metric"] == "jerk_z"]
    assert finding["on_these_drives"] == "harsher"
    assert finding["ratio"] == pytest.approx(FACTOR, rel=0.05)
    assert finding["basis"] == "rough places"
    reasons = [left_out["reason"] for left_out in comparison["excluded"]]
    assert len(reasons) == 3
    assert sum("traffic" in reason for reason in reasons) == 1
    assert not any(left_out["after_values"] for left_out in comparison["excluded"])
    assert not [departure for departure in comparison["departures"] if departure["kind"] == "passes"]


def test_a_day_that_is_ended_early_says_how_it_goes_on(plan_path, playing_box, tmp_path, simulated):
    box = playing_box([simulated.motion("bypass", 1.0, 1, seconds=2)])
    words = ("record", "--plan", plan_path, "--out", tmp_path / "drives", "--port", box.path, "--odr-hz", 1000)
    terminal = Terminal(*words)
    for question, keys in (
        ("Tyre pressures.*: ", "\r"),
        ("Air temperature.*: ", "\r"),
        ("Record the engine idling.*\\)", "s\r"),
        ("q ends the day", "q\r"),
    ):
        terminal.wait_for(question)
        terminal.press(keys)
    status, answer = terminal.end()
    assert (status, answer.splitlines()[-1].endswith(f": {' '.join(['towertap', *map(str, words)])}")) == (0, True)


def test_a_drive_begins_within_a_second_of_enter_and_is_judged_within_two_of_its_stop(playing_box, tmp_path, simulated):
    """Of a pass of 60 s, in processor time: other work on the computer is none of it. What a clock shows is told."""
    box = playing_box([np.tile(simulated.motion("quarry-lane", 1.0, 1, seconds=30), (2, 1))])
    said = [
        "--vehicle",
        "minibus",
        "--part",
        "rubber",
        "--road",
        "quarry-lane",
        "--pass",
        1,
        "--mounting",
        "x=+X,y=+Y,z=+Z",
    ]
    said += [
        "--speed",
        "40 km/h",
        "--tyre-pressures",
        "300 kPa",
        "--air-temperature",
        "12 °C",
        "--box-position",
        "sill",
    ]
    terminal = Terminal("record", "--out", tmp_path, "--port", box.path, "--odr-hz", 1000, *said)
    terminal.wait_for("Notes.*: ")
    terminal.press("\r")
    terminal.wait_for("Press Enter to begin")
    pressed, before_s = time.monotonic(), terminal.processor_s()
    terminal.press("\r")
    terminal.wait_for("Enter stops")
    began_s, begin_s = box.began - pressed, terminal.processor_s() - before_s
    assert box.played.wait(60)
    time.sleep(0.5)
    pressed, before_s = time.monotonic(), terminal.processor_s()
    terminal.press("\r")
    status, answer = terminal.end()
    judged_s = time.monotonic() - pressed
    assert status == 0, answer
    print(
        f"from Enter to the first sample {began_s:.2f} s ({begin_s:.2f} s of the processor), from the stop to the "
        f"verdict and the end {judged_s:.2f} s ({terminal.used_s - before_s:.2f} s)"
    )
    assert begin_s < 1
    assert terminal.used_s - before_s < 2


def rough(drive):
    """How rough the part makes a road."""
    return FACTOR if drive.part == "polyurethane" and drive.road != "bypass" else 1.0


def driven_order(planned):
    """The drives as they are driven, with their lengths: three come twice, see STOPPED."""
    order = []
    for drive in planned:
        order.append((drive, 6.0 if len(order) == SHORT else SECONDS))
        if len(order) - 1 in (PULLED, REDONE, SHORT):
            order.append((drive, SECONDS))
    return order


def run(*words):
    done = subprocess.run([*TOWERTAP, *map(str, words)], capture_output=True, text=True)
    return done.returncode, done.stdout, done.stderr


def struck(path):
    with open_capture(path) as capture:
        return capture.struck_out
