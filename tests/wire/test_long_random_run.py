"""A short version of the long random run, and proof that it detects a decoder that accepts or loses too much."""

import numpy as np
import pytest
from towertap.wire import decoder

from tests.wire import long_random_run


def test_six_thousand_damaged_streams():
    totals = [long_random_run.run_batch(seed=2, batch=10 * k, streams=1000) for k in range(6)]
    assert sum(total["undamaged"] for total in totals) > 20_000
    assert sum(total["bad"] for total in totals) > 10_000


def test_a_frame_survives_if_its_bytes_are_contiguous_and_untouched():
    frames = [b"\x10" * 50, b"\x20" * 60]
    ids = np.concatenate([k * long_random_run.PLACES + np.arange(len(frame)) for k, frame in enumerate(frames)])
    assert list(long_random_run.survivors(ids, frames)) == [(0, frames[0]), (50, frames[1])]
    assert list(long_random_run.survivors(ids[:-1], frames)) == [(0, frames[0])]
    ids[49] = -1
    assert list(long_random_run.survivors(ids, frames)) == [(50, frames[1])]


@pytest.mark.parametrize(
    ("part", "faulty", "says"),
    [
        ("_first_false", len, "never sent"),  # every check value is believed
        ("_plausible_length", lambda stream, at: stream[at + 8], "not recovered"),  # lengths are cut to one byte
        ("VERSION", 2, "not recovered"),
    ],
)
def test_a_faulty_decoder_is_caught(part, faulty, says, monkeypatch):
    monkeypatch.setattr(decoder, part, faulty)
    with pytest.raises(AssertionError, match=f"seed 3, batch 0, stream .*{says}"):
        long_random_run.run_batch(seed=3, batch=0, streams=1000)
