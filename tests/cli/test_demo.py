"""`towertap demo` as a person and as a script meet it, with two short passes a road and part."""

import json
import sys

import pytest
from towertap import cli
from towertap.demo import run


def towertap(monkeypatch, *arguments):
    monkeypatch.setattr(sys, "argv", ["towertap", *map(str, arguments)])
    with pytest.raises(SystemExit) as end:
        cli.main()
    return end.value.code


def test_two_passes_a_side_in_two_blocks_show_no_change_and_the_json_says_so(monkeypatch, capsys, tmp_path):
    out = tmp_path / "demo"
    assert towertap(monkeypatch, "demo", "--out", out, "--passes", 2, "--seconds", 6, "--json") == 0
    answer = capsys.readouterr()
    data = json.loads(answer.out)
    # Two blocks leave one degree of freedom: that their ratios coincide, as here once in six, says nothing of a part.
    verdicts = [finding["verdict"] for finding in data["findings"]]
    assert verdicts.count("undecided") >= 5
    assert not {"harsher", "gentler"} & set(verdicts)
    assert data["plan"]["blocks"] == 2
    assert data["departures"] == []
    assert len(data["captures"]) == 12
    assert all(capture["sound"] for capture in data["captures"])
    assert data["report"] == str(out / "report" / "report.html")
    assert (out / "report" / "report.html").is_file()
    assert "invented" in data["notice"]
    assert answer.err.startswith("Demo: the vehicle, the roads and all data are invented.\nPlanned: A B B A")


def test_people_read_findings_where_the_report_is_and_that_all_is_invented(monkeypatch, capsys, tmp_path):
    out = tmp_path / "demo"
    assert towertap(monkeypatch, "demo", "--out", out, "--unchanged", "--passes", 2, "--seconds", 6) == 0
    text = capsys.readouterr().out
    assert "ertical jerk on quarry-lane" in text
    assert "12 of 12 captures sound; firmware run by" in text
    assert "all data are invented" in text
    assert str(out / "report" / "report.html") in text.replace("\n", "")


@pytest.mark.parametrize("there", ["a file", "a full folder"])
def test_nothing_is_overwritten(monkeypatch, capsys, tmp_path, there):
    out = tmp_path / "demo"
    if there == "a file":
        out.write_text("mine")
    else:
        out.mkdir()
        (out / "mine.txt").write_text("mine")
    assert towertap(monkeypatch, "demo", "--out", out) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("towertap: ")


def test_a_demo_with_an_unsound_capture_ends_with_status_1(monkeypatch, capsys, tmp_path):
    soundly = run.record_drive

    def once_too_slow(folder, drive, motion):
        overflow = {"fault": "fifo_overflow", "lost": 37, "at_s": 2.0}
        return soundly(folder, drive, motion, faults=[overflow] if drive.name == "bypass_rubber-bush_pass01" else [])

    monkeypatch.setattr(run, "record_drive", once_too_slow)
    assert towertap(monkeypatch, "demo", "--out", tmp_path / "demo", "--passes", 2, "--seconds", 6) == 1
    told = capsys.readouterr()
    assert "11 of 12 captures sound" in told.out
    assert "did not come out as it ought" in told.out
    assert "NOT SOUND: 37 samples missing in 1 gap" in told.err
