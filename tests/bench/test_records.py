"""Bench records: written and read back, found for captures for which they are valid, else refused with the reason."""

import json
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from towertap.bench import records
from towertap.bench.records import Record
from towertap.capture.reading import open_capture
from towertap.errors import FileError

from tests.by_hand import BOX

STARTED = "2026-03-14T10:00:00+00:00"
NOISE = {
    "at_rest": True,
    "density": {"value": [7e-4, 7e-4, 7e-4]},
    "floors": {"jerk_z": {"rms": [2.5, 2.5, 2.5], "band_hz": [0.0, 100.0]}},
}


@pytest.fixture
def capture(tmp_path, by_hand):
    path = by_hand.capture(tmp_path / "drive", by_hand.recording(1.0), sidecar={"started_utc": STARTED})
    with open_capture(path) as opened:
        yield opened


def write(folder, *, days=0.0, subject=BOX, kind="noise", result=NOISE):
    moment = datetime.fromisoformat(STARTED) + timedelta(days=days)
    record = Record(kind, subject, moment.isoformat(), (24.0, 25.0), "rest.h5", result)
    return records.write(record, folder)


def test_a_record_is_read_back_as_written(tmp_path, capture):
    record = records.record_of("noise", capture, NOISE)
    assert record.subject == BOX
    assert record.measured_utc == STARTED
    assert record.temperature_c == (25.0, 25.0)  # the word 0, data sheet section 4.13
    path = records.write(record, tmp_path / "bench")
    assert path.name == "e6605481-noise-20260314T100000Z.json"
    assert records.read(path) == record
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_the_nearest_in_time_is_found(tmp_path, capture):
    for days in (-200, -3, 40):
        write(tmp_path, days=days)
    match = records.find(tmp_path, "noise", capture)
    assert match.record.measured_utc.startswith("2026-03-11")
    assert match.words == "noise record e6605481-noise-20260311T100000Z.json, 3 days away"


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"subject": replace(BOX, serial="another")}, "none in"),
        ({"subject": replace(BOX, odr_hz=1000.0)}, "another odr_hz (1000.0, not 4000.0)"),
        ({"subject": replace(BOX, range_g=8.0)}, "another range_g"),
        ({"subject": replace(BOX, anti_alias_hz=None)}, "another anti_alias_hz"),
        ({"subject": replace(BOX, chip="other")}, "another chip"),
        ({"days": -400}, "is 400 days away, more than 366"),
        ({"result": dict(NOISE, at_rest=False)}, "was not fit for use"),
    ],
)
def test_an_invalid_record_is_not_used_and_the_reason_given(tmp_path, capture, change, reason):
    path = write(tmp_path, **change)
    match = records.find(tmp_path, "noise", capture)
    assert match.record is None
    assert "another serial" in match.words if path.name.startswith("another") else reason in match.words
    assert "make one with 'towertap bench noise'" in match.words


def test_a_calibration_is_valid_at_any_rate_and_a_mounting_for_a_month(tmp_path, capture):
    calibration = {"offset_ms2": [0, 0, 0], "matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1]]}
    calibration["expanded"] = {"matrix": calibration["matrix"]}
    write(tmp_path, kind="calibration", subject=replace(BOX, odr_hz=1000.0, anti_alias_hz=258.0), result=calibration)
    assert records.find(tmp_path, "calibration", capture).record
    write(
        tmp_path, kind="tap", result={"resonances": {}, "usable_hz": {"one_third": 113.0, "one_fifth": 68.0}}, days=40
    )
    assert records.find(tmp_path, "tap", capture).record is None


def test_sidecars_of_recordings_are_not_records(tmp_path, capture):
    good = write(tmp_path)
    (tmp_path / "e6605481-noise-20260314T100001Z.conditions.json").write_text("{}")
    assert good.name in records.find(tmp_path, "noise", capture).words


def test_taps_that_did_not_agree_are_kept_but_not_used(tmp_path, capture):
    path = write(tmp_path, kind="tap", result={"resonances": {"x": None}, "usable_hz": None})
    assert records.read(path).result["usable_hz"] is None
    assert "was not fit for use" in records.find(tmp_path, "tap", capture).words


def test_no_record_is_reported(tmp_path, capture):
    for folder in (tmp_path, tmp_path / "not there"):
        match = records.find(folder, "noise", capture)
        assert match.record is None
        assert match.words.startswith("no noise record is valid for this capture: none in")


@pytest.mark.parametrize(
    "harm",
    [
        lambda data: "not JSON",
        lambda data: json.dumps([]),
        lambda data: json.dumps({**data, "schema": "another"}),
        lambda data: json.dumps({**data, "kind": "unheard of"}),
        lambda data: json.dumps({**data, "result": {}}),
        lambda data: json.dumps({**data, "result": None}),
        lambda data: json.dumps({**data, "result": {**NOISE, "density": None}}),
        lambda data: json.dumps({**data, "result": {**NOISE, "density": {"value": [1, 2]}}}),
        lambda data: json.dumps({**data, "result": {**NOISE, "density": {"value": [1, 2, float("nan")]}}}),
        lambda data: json.dumps({**data, "result": {**NOISE, "floors": {"jerk_z": {"rms": "2.5", "band_hz": [0, 1]}}}}),
        lambda data: json.dumps({**data, "subject": {**data["subject"], "range_g": -1}}),
        lambda data: json.dumps({**data, "temperature_c": [1]}),
        lambda data: "[" * 100_000,
    ],
)
def test_damaged_records_are_refused_in_one_line_and_skipped(tmp_path, capture, harm):
    path = write(tmp_path)
    path.write_text(harm(json.loads(path.read_text("utf-8"))), "utf-8")
    with pytest.raises(FileError, match="not a bench record") as refused:
        records.read(path)
    assert "\n" not in str(refused.value)
    assert records.find(tmp_path, "noise", capture).record is None
    good = write(tmp_path, days=-1)
    assert good.name in records.find(tmp_path, "noise", capture).words


def test_a_newer_version_is_refused_as_such(tmp_path):
    path = write(tmp_path)
    path.write_text(path.read_text("utf-8").replace('"version": 1', '"version": 2'), "utf-8")
    with pytest.raises(FileError, match="install a newer towertap"):
        records.read(path)


def test_where_records_are_searched(tmp_path):
    drive = tmp_path / "drives" / "a.h5"
    assert records.bench_folder(drive) == tmp_path / "drives" / "bench"
    assert records.bench_folder(tmp_path / "bench" / "rest.h5") == tmp_path / "bench"
    assert records.bench_folder(drive, tmp_path / "elsewhere") == tmp_path / "elsewhere"
