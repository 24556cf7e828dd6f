"""Recordings to archive: raw stream, sidecar and capture, as `record` and `decode` leave them."""

import pytest
from towertap.archive import adding
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.decode import decode_raw


@pytest.fixture
def recording(tmp_path, by_hand):
    """A function that makes a recording and gives the path of its capture."""

    def make(name="drive", *, seed=1, started_utc="2026-09-21T14:13:20+00:00", sidecar=True, **conditions):
        raw = tmp_path / f"{name}.ttraw"
        host = {key: conditions.pop(key) for key in ("utc_offset_s",) if key in conditions}
        raw.write_bytes(b"".join(by_hand.recording(1, seed=seed)))
        given = Conditions(
            **({"vehicle": "minibus", "part": "rubber", "road": "quarry-lane", "pass_number": 3} | conditions)
        )
        if sidecar:
            write_sidecar(raw, given, started_utc=started_utc, hello=by_hand.hello_fields, **host)
        return decode_raw(raw, raw.with_suffix(".h5"), None if sidecar else given)

    return make


@pytest.fixture
def archive(tmp_path, recording):
    """An archive of two recordings."""
    folder = tmp_path / "archive"
    for number, road in enumerate(["quarry-lane", "bypass"]):
        adding.add(folder, recording(f"drive{number}", seed=number, road=road))
    return folder
