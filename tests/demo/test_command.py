"""`towertap demo` as text and as JSON."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.cli import demo as command

DAMAGED = Path(__file__).parents[2] / "example_captures" / "quarry-lane_rubber-bush_pass02.h5"


def test_it_prints_its_result_as_json_and_text(run, monkeypatch, tmp_path, demo):
    """The command gets the result of the demo, which is run once for all tests."""
    monkeypatch.setattr(command, "run_demo", lambda out, on_step: demo)
    status, answer, _ = run("demo", "--out", tmp_path / "demo", "--json")
    data = json.loads(answer)
    assert status == 0
    assert data["plan"]["design"].count("|") == 1
    assert data["departures"] == []
    assert len(data["captures"]) == 24
    assert all(capture["sound"] for capture in data["captures"])
    assert data["report"] == str(demo.report)
    assert "invented" in data["notice"]
    status, text, _ = run("demo", "--out", tmp_path / "demo")
    assert status == 0
    assert text.lstrip().startswith("Harsher: with polyurethane-bush, vertical jerk ")
    assert "24 of 24 captures sound; firmware run by" in text
    assert "all data are invented" in text
    assert str(demo.report) in text.replace("\n", "")


def test_an_unsound_capture_ends_it_with_status_1(run, monkeypatch, tmp_path, demo):
    with open_capture(DAMAGED) as capture:
        damaged = replace(demo, integrity={**demo.integrity, DAMAGED: check(capture)})
    monkeypatch.setattr(command, "run_demo", lambda out, on_step: damaged)
    status, out, _ = run("demo", "--out", tmp_path / "demo")
    assert status == 1
    assert "24 of 25 captures sound" in out
    assert "is not as expected" in out


@pytest.mark.parametrize("there", ["a file", "a full folder"])
def test_nothing_is_overwritten(refused, tmp_path, there):
    out = tmp_path / "demo"
    if there == "a file":
        out.write_text("mine")
    else:
        out.mkdir()
        (out / "mine.txt").write_text("mine")
    err = refused("demo", "--out", out)
    assert err.startswith("towertap: ")
