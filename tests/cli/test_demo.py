"""`towertap demo` as a person and as a script meet it, with two short passes a road and part."""

import json

import pytest
from towertap.cli import demo
from towertap.demo import run as demo_run

SHORT = ("--passes", 2, "--seconds", 12)


def test_two_passes_a_side_in_two_blocks_are_undecided_in_json_and_in_words(run, monkeypatch, tmp_path):
    """Driven once: the second time the command is given the same result, to tell it to people."""
    out, results = tmp_path / "demo", []

    def once(*args, **kwargs):
        if not results:
            results.append(demo_run.run_demo(*args, **kwargs))
        return results[0]

    monkeypatch.setattr(demo, "run_demo", once)
    status, answer, err = run("demo", "--out", out, *SHORT, "--json")
    data = json.loads(answer)
    assert status == 0
    # Two blocks leave one degree of freedom.
    verdicts = [finding["verdict"] for finding in data["findings"]]
    assert verdicts.count("undecided") >= 5
    assert "gentler" not in verdicts
    assert data["plan"]["design"].count("|") == 1
    assert data["departures"] == []
    assert len(data["captures"]) == 12
    assert all(capture["sound"] for capture in data["captures"])
    assert data["report"] == str(out / "report" / "report.html")
    assert (out / "report" / "report.html").is_file()
    assert "invented" in data["notice"]
    assert err.startswith("Demo: the vehicle, the roads and all data are invented.\nPlanned: AB|B'A")
    status, text, _ = run("demo", "--out", out, *SHORT)
    assert status == 0
    assert text.lstrip().startswith("Undecided: with polyurethane-bush, vertical jerk ")
    assert "12 of 12 captures sound; firmware run by" in text
    assert "all data are invented" in text
    assert str(out / "report" / "report.html") in text.replace("\n", "")


@pytest.mark.parametrize("there", ["a file", "a full folder"])
def test_nothing_is_overwritten(run, tmp_path, there):
    out = tmp_path / "demo"
    if there == "a file":
        out.write_text("mine")
    else:
        out.mkdir()
        (out / "mine.txt").write_text("mine")
    status, _, err = run("demo", "--out", out)
    assert (status, err.count("\n")) == (2, 1)
    assert err.startswith("towertap: ")


def test_a_demo_with_an_unsound_capture_ends_with_status_1(run, monkeypatch, tmp_path):
    soundly = demo_run.record_drive

    def once_too_slow(folder, drive, motion):
        overflow = {"fault": "fifo_overflow", "lost": 37, "at_s": 2.0}
        return soundly(folder, drive, motion, faults=[overflow] if drive.name == "bypass_rubber-bush_pass01" else [])

    monkeypatch.setattr(demo_run, "record_drive", once_too_slow)
    monkeypatch.setattr(demo_run, "write_report", lambda comparison, folder, *_: folder / "report.html")
    status, out, err = run("demo", "--out", tmp_path / "demo", *SHORT)
    assert status == 1
    assert "11 of 12 captures sound" in out
    assert "did not come out as expected" in out
    assert "37 of 48000 samples missing, NOT SOUND: 1 FIFO overflow" in err
