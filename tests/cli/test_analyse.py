"""`towertap analyse`, called by people and by programs."""

import json

import numpy as np
import pandas as pd
import pytest
from towertap.amendments import SEEN
from towertap.capture.conditions import Conditions
from towertap.kept import FOLDER
from towertap.signals.channels import BandPass, Channel
from towertap.signals.metrics import METRICS, Metric


@pytest.fixture
def capture(by_hand, make_capture):
    return make_capture(by_hand.recording(7.0, rolls=True), "drive", Conditions(mounting="x=+X,y=+Y,z=+Z"))


def test_people_get_values_with_units_and_a_table_next_to_the_capture(run, capture):
    status, out, err = run("analyse", capture)
    assert (status, err) == (0, "")
    line = next(line for line in out.splitlines() if line.startswith("jerk_z"))
    assert "0 to 100" in line
    assert "m/s³" in line
    table = pd.read_csv(capture.with_name("drive.windows.csv"), comment="#")
    assert str(capture.with_name("drive.windows.csv")) in out
    assert len(table) == 3


def test_json_has_overall_values_and_windows(answer, capture, tmp_path):
    data = answer("analyse", capture, "--out", tmp_path / "t.csv", "--window-s", "0.5", "--jerk-edge-hz", "80")
    assert data["whole"]["jerk_z"]["unit"] == "m/s³"
    assert data["whole"]["jerk_z"]["band_hz"] == [0.0, 80.0]
    jerk = np.array(data["windows"]["jerk_z"])
    assert data["whole"]["jerk_z"]["value"] == pytest.approx(np.sqrt(np.mean(jerk**2)))
    assert data["window_s"] == pytest.approx(0.5, abs=1e-3)
    assert (tmp_path / "t.csv").exists()


@pytest.mark.parametrize("columns", ["80", None])
def test_names_of_metrics_are_never_cut(run, capture, monkeypatch, columns):
    monkeypatch.delenv("COLUMNS", raising=False)
    if columns:
        monkeypatch.setenv("COLUMNS", columns)
    _, out, _ = run("analyse", capture)
    _, as_json, _ = run("analyse", capture, "--json")
    names = [line.split(" ")[0] for line in out.splitlines()]
    assert set(json.loads(as_json)["whole"]) <= set(names)
    assert "…" not in out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["--mounting", "x=+X,y=-Y,z=+Z"], "left-handed"),
        (["--window-s", "99"], "out of range"),
        (["--jerk-edge-hz", "0"], "too low"),
        (["--jerk-edge-hz", "5000"], "a band up to 5000 Hz needs a rate of"),
        (["--out", "nowhere/table.csv"], "no folder 'nowhere'"),
        (["--out", "table.xlsx"], "a table cannot be written as"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_2(refused, capture, words, line):
    err = refused("analyse", capture, *words)
    assert line in err


def test_the_capture_is_never_overwritten(refused, capture):
    before = capture.read_bytes()
    err = refused("analyse", capture, "--out", capture)
    assert "not replaced" in err
    assert capture.read_bytes() == before


@pytest.mark.parametrize("name", ["other.ttraw.csv", "mine.csv", "folder.csv"])
def test_nothing_but_a_table_of_windows_is_replaced(refused, capture, by_hand, make_capture, tmp_path, name):
    make_capture(by_hand.recording(1.0), "other")
    (tmp_path / "other.ttraw").rename(tmp_path / "other.ttraw.csv")
    (tmp_path / "mine.csv").write_text("a,b\n1,2\n")
    (tmp_path / "folder.csv").mkdir()
    before = (tmp_path / name).stat().st_mtime_ns
    err = refused("analyse", capture, "--out", tmp_path / name)
    assert "not a table of windows, so it is not replaced" in err
    assert (tmp_path / name).stat().st_mtime_ns == before


def test_a_table_is_replaced_and_no_other_file_is_left(run, capture, tmp_path):
    table, written = tmp_path / "table.csv", []
    for window_s in (1.0, 0.5):
        assert run("analyse", capture, "--out", table, "--window-s", window_s)[0] == 0
        written.append(table.read_bytes())
    assert written[0] != written[1]
    assert {path.name for path in tmp_path.iterdir()} == {"drive.ttraw", "drive.h5", table.name, SEEN, FOLDER}


def test_a_new_metric_takes_one_line_and_appears_everywhere(answer, capture, tmp_path, monkeypatch):
    """A vector sum adds the squares of its axes, and has noise and scale uncertainty. A pitch rate works too."""
    axes = tuple(METRICS[f"weighted_{axis}"].channels[0] for axis in "xyz")
    monkeypatch.setitem(METRICS, "total", Metric("total", "weighted acceleration of three axes", "m/s²", axes))
    pitch = Metric("pitch", "pitch rate", "rad/s", (Channel("pitch", BandPass(0.5, 4.0)),))
    monkeypatch.setitem(METRICS, "pitch", pitch)
    whole = answer("analyse", capture, "--out", tmp_path / "t.csv")["whole"]
    each = {name: result["value"] for name, result in whole.items()}
    assert each["total"] == pytest.approx(np.sqrt(sum(each[f"weighted_{axis}"] ** 2 for axis in "xyz")))
    assert whole["total"]["axis"] == "x y z"
    assert whole["total"]["uncertainty"] == pytest.approx(0.005 * each["total"])
    assert min(whole[f"weighted_{axis}"]["noise_share"] for axis in "xyz") <= whole["total"]["noise_share"]
    # By hand: white rotation of 5 counts r.m.s. at 4 kHz on a range of 2000 °/s, of which 0.5 to 4 Hz pass
    expected = np.deg2rad(5 * 2000 / 32768) * np.sqrt(3.5 / 2000)
    assert each["pitch"] == pytest.approx(expected, rel=0.5)
    assert "noise_share" not in whole["pitch"]
    assert "uncertainty" not in whole["pitch"]
    table = pd.read_csv(tmp_path / "t.csv", comment="#")
    squares = sum(table[f"weighted_{axis}"] ** 2 for axis in "xyz")
    assert table["total"].to_numpy() == pytest.approx(np.sqrt(squares).to_numpy(), rel=1e-5)
    assert list(table)[-2:] == ["total", "pitch"]


def test_a_recording_too_short_to_settle_is_refused(refused, by_hand, make_capture):
    path = make_capture(by_hand.recording(1.0), "short", Conditions(mounting="x=+X,y=+Y,z=+Z"))
    err = refused("analyse", path)
    assert "record longer" in err
    assert not path.with_name("short.windows.csv").exists()


def test_missing_bench_records_are_reported_and_the_folder_can_be_named(run, answer, capture, tmp_path, refused):
    data = answer("analyse", capture, "--out", tmp_path / "t.csv")
    whole = data["whole"]["jerk_z"]
    # Noise of 5 counts r.m.s. per sample against the data sheet's 70 µg/√Hz: (70e-6 × √2000 / (5/2048))² = 1.6 of power
    assert (whole["noise_share"], whole["judged"]) == (1.0, "not judged")
    assert whole["uncertainty"] == pytest.approx(0.005 * whole["value"])
    assert data["bench"]["measured_utc"]["noise"] is None
    status, out, _ = run("analyse", capture, "--out", tmp_path / "t.csv")
    assert status == 0
    assert "** jerk_z: 100 % of its power is the sensor's own noise; not judged" in " ".join(out.split())
    assert "make one with 'towertap bench noise'" in " ".join(out.split())
    err = refused("analyse", capture, "--bench", tmp_path / "none")
    assert "name the one that holds the bench records" in err
