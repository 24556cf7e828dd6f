"""Captures of schemas 1 to 3 still give the same counts, gaps, rate and rule values.

The expected values are in `schema_1/reading.json`, written by the code of the time of the recording.
"""

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture

FOLDER = Path(__file__).with_name("schema_1")
EXAMPLES = Path(__file__).parents[2] / "example_captures"
NAME = "quarry-lane_rubber-bush_pass02"
EXPECTED = json.loads((FOLDER / "reading.json").read_text("utf-8"))


def reading(path):
    """What a capture contains, as JSON."""
    with open_capture(path) as capture:
        integrity = check(capture)
        counts = {
            name: hashlib.sha256(capture.counts(name, 0, capture.n_samples).astype("<i2").tobytes()).hexdigest()
            for name in ("acceleration", "rotation")
        }
        return {
            "counts_sha256": counts,
            "samples": capture.n_samples,
            "rate_hz": capture.rate_hz,
            "rate_interval_hz": capture.file.attrs["rate_interval_hz"].tolist(),
            "gaps": [[row, missing, reason.decode()] for row, missing, reason, _ in capture.gaps.tolist()],
            "marks": [text.decode() for text in capture.marks["text"]],
            "faults": [fault.decode() for fault in capture.faults["fault"]],
            "pieces": [[p.first_row, p.n_rows, p.start_time_s] for p in capture.pieces()],
            "scale": [capture.scale_ms2, capture.scale_rads],
            "conditions": capture.conditions.to_dict(),
            "started_utc": integrity.started_utc,
            "sound": integrity.sound,
            "rules": {rule.name: [rule.value, rule.ok] for rule in integrity.rules},
        }


def assert_alike(now, before):
    """Equal, with numbers within the rounding of 32-bit floats; `now` may have more keys than `before`.

    The interval of a rate is a difference of numbers that agree to eight digits, hence the absolute part, in ppm.
    """
    if isinstance(before, dict):
        assert set(before) <= set(now)
        for key, value in before.items():
            assert_alike(now[key], value)
    elif isinstance(before, list):
        assert len(now) == len(before)
        for after, value in zip(now, before, strict=True):
            assert_alike(after, value)
    elif isinstance(before, float):
        assert now == pytest.approx(before, rel=1e-7, abs=1e-8)
    else:
        assert now == before


def test_the_capture_reads_as_before():
    assert_alike(reading(FOLDER / f"{NAME}.h5"), EXPECTED)


def test_the_raw_recording_decodes_as_before(tmp_path):
    for suffix in (".ttraw", ".conditions.json"):
        (tmp_path / f"{NAME}{suffix}").write_bytes((FOLDER / f"{NAME}{suffix}").read_bytes())
    path = decode_raw(tmp_path / f"{NAME}.ttraw", tmp_path / f"{NAME}.h5")
    assert_alike(reading(path), EXPECTED)
    with open_capture(path) as new, open_capture(FOLDER / f"{NAME}.h5") as old:
        assert np.array_equal(new.frames, old.frames)


@pytest.mark.parametrize("version", [2, 3])
def test_a_capture_of_an_earlier_schema_reads_as_one_of_today(version):
    """Made from the same example before counts (3) and frames (4) were stored as differences."""
    kept, example = (FOLDER.with_name(f"schema_{version}") / f"{NAME}.h5", EXAMPLES / f"{NAME}.h5")
    assert_alike(reading(example), reading(kept))
    with open_capture(kept) as old, open_capture(example) as new:
        assert (old.text("schema_version"), new.text("schema_version")) == (f"{version}.0", "4.0")
        assert np.array_equal(new.frames, old.frames)
        for name in ("acceleration", "rotation"):
            assert np.array_equal(new.counts(name, 8000, 33_000), old.counts(name, 8000, 33_000))
