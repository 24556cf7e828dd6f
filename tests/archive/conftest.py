"""Recordings to archive: raw stream, sidecar and capture, as made by `record` and `decode`."""

import pytest
from towertap.archive import record as records
from towertap.capture.conditions import Conditions

from tests.archives import add


def put(archive, path):
    """Add a recording; returns its record, and whether it is new."""
    added = add(archive, path)
    return records.read_record(archive / added.name), added.how == "added"


@pytest.fixture
def recording(tmp_path, by_hand):
    """A function that makes a recording and returns the path of its capture."""

    def make(name="drive", *, seed=1, started_utc="2026-09-21T14:13:20+00:00", sidecar=True, **conditions):
        host = {key: conditions.pop(key) for key in ("utc_offset_s",) if key in conditions}
        given = Conditions(
            **({"vehicle": "minibus", "part": "rubber", "road": "quarry-lane", "pass_number": 3} | conditions)
        )
        entries = {"started_utc": started_utc, **host} if sidecar else None
        return by_hand.capture(tmp_path / name, by_hand.recording(1, seed=seed), given, entries)

    return make


@pytest.fixture
def archive(tmp_path, recording):
    """An archive of two recordings."""
    folder = tmp_path / "archive"
    for number, road in enumerate(["quarry-lane", "bypass"]):
        add(folder, recording(f"drive{number}", seed=number, road=road))
    return folder
