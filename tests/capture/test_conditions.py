"""Conditions are checked for type and range, and survive a file and a capture unchanged."""

import pytest
from towertap.capture.conditions import Conditions, read_sidecar, sidecar_path, write_sidecar
from towertap.errors import FileError

FULL = Conditions("minibus", "rubber", "quarry-lane", 3, 40, "250, 250, 300, 300", 11.5, "left tower", "x=+X", "wet")


def test_round_trip_through_a_mapping_and_a_sidecar(tmp_path):
    assert Conditions.from_dict(FULL.to_dict()) == FULL
    raw = tmp_path / "a.b.ttraw"
    path = write_sidecar(raw, FULL, started_utc="2026-11-25T09:00:00Z")
    assert path.name == "a.b.conditions.json"
    assert read_sidecar(raw) == {"conditions": FULL, "started_utc": "2026-11-25T09:00:00Z"}
    assert list(tmp_path.iterdir()) == [sidecar_path(raw)]


def test_no_sidecar_means_empty_conditions(tmp_path):
    assert read_sidecar(tmp_path / "none.ttraw") == {"conditions": Conditions()}


@pytest.mark.parametrize(
    "wrong",
    [
        {"pass_number": 0},
        {"pass_number": 1.5},
        {"pass_number": True},
        {"speed_kmh": -1},
        {"speed_kmh": float("nan")},
        {"air_temperature_c": "warm"},
        {"vehicle": None},
        {"notes": "x" * 2001},
        {"road": "a\0b"},
        {"colour": "red"},
    ],
)
def test_a_wrong_value_is_named(wrong):
    with pytest.raises(FileError, match=next(iter(wrong))):
        Conditions.from_dict(wrong)
