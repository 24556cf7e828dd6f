"""`towertap compare` on captures decoded from hand-built frames: text, JSON, report and errors."""

from __future__ import annotations

import csv
import os
import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta

import h5py
import pytest
from towertap.bench.records import BoxSetup, Record, write
from towertap.capture.schema import set_attributes

from tests.conftest import TOWERTAP

CALL = ("--before", "soft", "--after", "stiff", "--smooth", "bypass")


ANSWER = re.compile(
    r"Harsher: with stiff, vertical acceleration \(all vibration\) is \d+ % higher than with soft on both rough roads "
    r"\(.*\)\."
)


@pytest.mark.parametrize("columns", [{"COLUMNS": "80"}, {}])
def test_the_answer_comes_first_and_last_and_lines_have_80_columns(drive_folder, columns):
    """In a process of its own, with a terminal width of 80 columns and without one."""
    command = [*TOWERTAP, "compare", str(drive_folder), *CALL]
    call = [*command, "--metric", "acceleration_z"]
    shell = {name: value for name, value in os.environ.items() if name != "COLUMNS"} | columns
    done = subprocess.run(call, capture_output=True, text=True, check=False, env=shell)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert ANSWER.fullmatch(" ".join(" ".join(lines[:2]).split()))
    assert not [line for line in lines if line.lstrip().startswith("%")]
    assert lines[-2:] == lines[:2]
    assert lines.index("") <= 10  # the answer's lines
    folded = " ".join(done.stdout.split())
    for words in (
        "What changed, with 95 % intervals",
        "No plan was given: ",
        "every rough road is rougher than the smooth one.",
        "Which metres of road",
        "12 captures, all sound.",
    ):
        assert folded.count(words) == 1
    assert "Fingerprints" not in folded


def test_full_prints_everything_that_the_answer_rests_on(run, drive_folder):
    status, out, err = run("compare", drive_folder, *CALL, "--metric", "acceleration_z", "--full")
    assert (status, err) == (0, "")
    for words in ("Rough roads against the smooth one", "The value of each pass", "Alignment", "Fingerprints"):
        assert words in out


def test_json_has_the_documented_keys(answer, drive_folder):
    data = answer("compare", drive_folder, *CALL, "--margin", "15")
    assert (data["before"], data["after"], data["smooth"]) == ("soft", "stiff", "bypass")
    assert {finding["metric"] for finding in data["findings"]} == {"jerk_z", "weighted_z", "acceleration_z"}
    for finding in data["findings"]:
        assert finding["margin"] == 0.15
        assert finding["passes"] == [2, 2]
        assert finding["interval"][0] < finding["ratio"] < finding["interval"][1]
        assert finding["ratio"] == pytest.approx(1.5, abs=0.2)
    assert all(entry["ratio"] > 1 for entry in data["evidence"]["smooth"]["data"]["rough_against_smooth"])
    assert [alignment["road"] for alignment in data["evidence"]["places"]["data"]] == ["moor-road", "quarry-lane"]


def test_a_file_that_is_no_speed_log_is_refused_in_one_line(refused, drive_folder, tmp_path):
    log = tmp_path / "speed.csv"
    log.write_text("time_utc,altitude_m\n2026-05-04T09:30:00Z,12\n")
    assert "speed.csv" in refused("compare", drive_folder, *CALL, "--speed", log)


@pytest.fixture
def dated_folder(drive_folder, tmp_path):
    """The drives, ten minutes apart from 9:30 UTC, and a speed log of 36 km/h whose clock is one hour ahead."""
    folder = tmp_path / "dated"
    folder.mkdir()
    lines = ["time_utc,speed_kmh"]
    for number, path in enumerate(sorted(drive_folder.glob("*.h5"))):
        began = datetime(2026, 5, 4, 9, 30, tzinfo=UTC) + timedelta(minutes=10 * number)
        with h5py.File(shutil.copy(path, folder), "r+") as file:
            set_attributes(file, {"started_utc": began.isoformat()})
        lines += [f"{(began + timedelta(seconds=3600 + s)).isoformat()},36" for s in range(-5, 11)]
    (folder / "speed.csv").write_text("\n".join(lines))
    return folder


def test_a_speed_log_with_its_clocks_offset_gives_the_speed_in_kmh(answer, dated_folder):
    call = (dated_folder, *CALL, "--metric", "acceleration_z", "--speed", dated_folder / "speed.csv")
    data = answer("compare", *call, "--speed-offset", 3600)
    roads = data["evidence"]["speed"]["data"]
    assert [road["road"] for road in roads] == ["moor-road", "quarry-lane"]
    for road in roads:
        assert (road["source"], road["unit"]) == ("log", "km/h")
        assert [drive["speed"] for drive in road["passes"]] == pytest.approx([36.0] * 4)
        assert {drive["offset"]["seconds"] for drive in road["passes"]} == {3600.0}
    assert not any("speed log" in caution["words"] for caution in data["cautions"])
    data = answer("compare", *call, "--speed-offset", -3600)
    assert "speed" not in data["evidence"]
    (words,) = (caution["words"] for caution in data["cautions"] if "covers no pass" in caution["words"])
    assert "from 2026-05-04 10:29:55" in words
    assert "--speed-offset" in words


def test_a_speed_log_over_the_size_limit_is_refused_in_one_line(refused, drive_folder, tmp_path):
    """A sparse file of a gigabyte, which takes no disk space and must not be read."""
    log = tmp_path / "speed.csv"
    with log.open("wb") as file:
        file.truncate(2**30)
    err = refused("compare", drive_folder, *CALL, "--speed", log)
    assert err.startswith(f"towertap: {log}: 1,073,741,824 bytes, larger than a speed log")


def test_bench_records_of_a_named_folder_are_used_and_reported(refused, answer, drive_folder, tmp_path):
    """A tap record for the box of tests/by_hand.py; the missing kinds are named."""
    subject = BoxSetup("e6605481", "ICM-42688-P", 8000.0, 16.0, None)
    tapped = {"resonances": {}, "usable_hz": {"one_third": 60.0, "one_fifth": 36.0}}
    write(Record("tap", subject, "2026-03-14T10:00:00+00:00", None, "taps.h5", tapped), tmp_path / "bench")
    call = (drive_folder, *CALL, "--metric", "jerk_z", "--bench")
    data = answer("compare", *call, tmp_path / "bench")
    assert {records["usable_hz"] for records in data["bench"].values()} == {60.0}
    for finding in data["findings"]:
        assert finding["noise"]["of"] == ("unrecorded" if finding["road"] == "moor-road" else "sensor")
        assert any("good to 60 Hz (a third of its resonance)" in caution["words"] for caution in finding["cautions"])
    cautions = [caution["words"] for caution in data["cautions"]]
    assert sum("bench records of noise, calibration, selftest and idle" in words for words in cautions) == 1
    assert "name the one that holds the bench records" in refused("compare", *call, tmp_path / "none")


def test_spreads_are_given_in_percent_and_a_control_is_kept_with_the_bench_records(refused, answer, dated_folder):
    """All drives with one part, then all with the other, on one day: a refit control."""
    call = ("compare", dated_folder, *CALL, "--metric", "acceleration_z")
    data = answer(*call, "--refit-sd", 1.5, "--day-sd", 0.5)
    part = data["overall"][0]["part"]
    assert [(part[kind]["source"], part[kind]["sd"]) for kind in ("installation", "day")] == [
        ("stated", pytest.approx(0.015)),
        ("stated", pytest.approx(0.005)),
    ]
    assert "a refit spread of -1 % is impossible" in refused(*call, "--refit-sd", -1)
    kept = answer(*call, "--control", "refit")
    assert kept["kept"].startswith(str(dated_folder / "bench" / "control-refit-2026-05-04-"))
    assert kept["answer"]["verdict"] == "refit control not held"
    assert kept["answer"]["change"].startswith("with stiff, vertical acceleration (all vibration) changed by +")
    again = answer(*call)
    assert "controls" not in again["evidence"], "a control is not used on its own drives"


def test_the_report_is_written_and_named(answer, drive_folder, tmp_path):
    words = (*CALL, "--metric", "jerk_z", "--report", tmp_path / "report", "--no-sounds")
    data = answer("compare", drive_folder, *words)
    page = tmp_path / "report" / "report.html"
    assert data["report"] == str(page)
    assert "quarry-lane" in page.read_text("utf-8")
    with (page.parent / "data" / "passes_table_1.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    roads = ["moor-road"] * 4 + ["quarry-lane"] * 4
    assert [row["metric, road"] for row in rows] == [f"Vertical jerk on {road}, m/s³" for road in roads]
    assert all(float(row["rests on"]) > 0 and row["part"] in ("soft", "stiff") for row in rows)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--before", "soft", "--after", "hard", "--smooth", "bypass"), "parts are 'soft', 'stiff'"),
        ((*CALL, "--metric", "comfort"), "no metric 'comfort': use"),
        ((*CALL, "--margin", "150"), "a margin of 150 % is impossible"),
        ((*CALL, "--gate", "windows"), "No such option '--gate'"),
        (("--before", "soft", "--smooth", "bypass"), "--after"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(refused, drive_folder, arguments, says):
    assert says in refused("compare", drive_folder, *arguments, "--json")


def test_an_empty_folder_is_one_line_and_status_2(refused, tmp_path):
    assert "no captures (*.h5)" in refused("compare", tmp_path, *CALL)


BUSHES = ("--before", "rubber", "--after", "polyurethane", "--smooth", "bypass", "--metric", "acceleration_z")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ((), "choose the one to compare with --position, one of 'arm', 'sill'"),
        (("--position", "roof"), "no capture of these parts was made at the box position 'roof'"),
        (("--position", "sill", "--input-position", "roof"), "positions are 'arm', 'sill'"),
    ],
)
def test_a_wrong_box_position_is_one_line_and_status_2(refused, two_box_folder, options, says):
    assert says in refused("compare", two_box_folder, *BUSHES, *options, "--json")


def test_a_second_box_adds_the_transfer(run, two_box_folder):
    call = (two_box_folder, *BUSHES, "--position", "sill", "--input-position", "arm")
    status, out, err = run("compare", *call)
    assert status == 0, err
    folded = " ".join(out.split())
    assert "From the input to the output of the part quarry-lane: sill follows arm " in folded
    assert "with polyurethane." in folded
    assert "Transfer on quarry-lane: sill over arm" in run("compare", *call, "--full")[1]


def test_list_uses_the_passes_that_compare_uses(answer, drive_folder):
    """Passes of 5 s: both need one complete window after the filters settle, and no longer."""
    recordings = answer("list", drive_folder)["recordings"]
    assert [entry["why_not"] for entry in recordings] == [""] * 12
    assert (
        answer("compare", drive_folder, "--before", "soft", "--after", "stiff", "--smooth", "bypass")["excluded"] == []
    )
