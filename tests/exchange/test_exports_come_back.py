"""Exports that are imported again give the same capture, with its gaps."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from towertap.analysis import analyse_capture
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.exchange.exports import export
from towertap.exchange.imports import import_file
from towertap.exchange.samples import Samples

WHOLE, DAMAGED = "quarry-lane_rubber-bush_pass01", "quarry-lane_rubber-bush_pass02"


def started_at(capture):
    return datetime.fromisoformat(capture.text("started_utc"))


@pytest.mark.parametrize("suffix", [".csv", ".mat", ".wav", ".mf4"])
@pytest.mark.parametrize("axes", ["vehicle", "counts"])
def test_an_imported_export_has_the_same_values(examples, suffix, axes):
    """Required: within 0.1 % in every metric; measured: 0.002 %."""
    with open_capture(examples / f"{WHOLE}.h5") as capture:
        (path,) = export(Samples(capture, axes), examples / f"exported{suffix}")
        original = analyse_capture(capture)
        rate_hz, conditions, started = capture.rate_hz, capture.conditions, started_at(capture)
    import_file(path, examples / "back.h5")
    with open_capture(examples / "back.h5") as capture:
        assert capture.rate_hz == pytest.approx(rate_hz, rel=1e-9)
        assert capture.odr_hz == 4000
        assert started_at(capture) == started
        assert capture.conditions.part == conditions.part
        assert capture.conditions.mounting == ("x=+X,y=+Y,z=+Z" if axes == "vehicle" else conditions.mounting)
        assert not [decision for decision in capture.origin.decisions if decision.how == "assumed"]
        again = analyse_capture(capture)
        assert again.whole == pytest.approx(original.whole, rel=1e-3)
        assert again.noise == {}  # nothing is known of another recorder's noise
        assert again.uncertainty == {}


@pytest.mark.parametrize("suffix", [".csv", ".mat", ".mf4"])
def test_an_imported_export_has_the_same_gaps(examples, suffix, plain):
    with open_capture(examples / f"{DAMAGED}.h5") as capture:
        (path,) = export(Samples(capture), examples / f"exported{suffix}")
    import_file(path, examples / "back.h5")
    with open_capture(examples / "back.h5") as capture:
        assert [(int(row), int(missing)) for row, missing, *_ in capture.gaps] == plain.gaps
        integrity = check(capture)
        assert (integrity.sound, integrity.missing_samples) == (False, 37 + 96)


def test_a_gap_of_unknown_length_stays_one(make_capture, by_hand, tmp_path):
    again = by_hand.recording(1, seed=2)
    again[0] = by_hand.hello(boot_id="another")
    with open_capture(make_capture([*by_hand.recording(1)[:-1], *again])) as capture:
        (path,) = export(Samples(capture, "chip"), tmp_path / "exported.csv")
        rows = capture.gaps["row"].tolist()
    import_file(path, tmp_path / "back.h5")
    with open_capture(tmp_path / "back.h5") as capture:
        assert capture.gaps[["row", "missing"]].tolist() == [(rows[0], -1)]


def test_a_piece_of_a_wav_keeps_its_start_time(examples):
    with open_capture(examples / f"{DAMAGED}.h5") as capture:
        paths = export(Samples(capture), examples / "exported.wav")
        began = started_at(capture) + timedelta(seconds=(8064 + 37) / capture.rate_hz)
    import_file(paths[1], examples / "back.h5")
    with open_capture(examples / "back.h5") as capture:
        assert abs(started_at(capture) - began) <= timedelta(microseconds=1)
