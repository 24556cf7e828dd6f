"""A chip is one layout object and one table entry: a made-up one goes from bytes to a capture to its values.

Three axes of 20 bits, left-aligned in three bytes, big-endian, no gyroscope, and no counter of lost packets.
"""

import h5py
import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.errors import FileError
from towertap.wire.layouts import LAYOUTS, STANDARD_GRAVITY_MS2, Layout, Measurand

from tests.by_hand import plain_counts

RATE_HZ, RANGE_G, WATERMARK = 1000, 8, 32
COUNTS_A_G = 2**19 / RANGE_G


def unpack(packets):
    lifted = np.zeros((*packets.shape, 3, 4), np.uint8)
    lifted[..., :3] = packets["acceleration"]
    return {"acceleration": lifted.view(">i4")[..., 0] >> 12}


MADE_UP = Layout(
    "MADE-UP-20",
    np.dtype([("acceleration", "u1", (3, 3))]),
    {"acceleration": Measurand(20, "accel_range_g", STANDARD_GRAVITY_MS2, 22.5e-6)},
    unpack,
    lambda word: 25 + (word - 1852) / -9.05,
    0.01,
)


@pytest.fixture
def recording(by_hand, monkeypatch):
    """A function from counts (n, 3) to the frames of the chip's recording."""
    monkeypatch.setitem(LAYOUTS, 77, MADE_UP)

    def make(counts, flags_at=None):
        hello = {"layout": 77, "chip": "MADE-UP-20", "odr_hz": RATE_HZ, "accel_range_g": RANGE_G, "anti_alias_hz": 250}
        frames = [by_hand.hello(**hello, gyro_range_dps=0)]
        for k in range(len(counts) // WATERMARK):
            rows = counts[k * WATERMARK : (k + 1) * WATERMARK].astype(">i4") << 12
            payload = np.ascontiguousarray(rows, ">i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
            clock = {"clock": int((k + 1) * WATERMARK / RATE_HZ * 1e6), "fifo": WATERMARK, "temperature": 1852}
            fields = {"layout": 77, "count": WATERMARK, "sequence": k + 1, "first": k * WATERMARK, **clock}
            frames.append(by_hand.frame(2, payload, flags=3 if k == flags_at else 0, **fields))
        end = {"sequence": k + 2, "first": (k + 1) * WATERMARK, "clock": fields["clock"] + 10}
        return [*frames, by_hand.frame(6, b'{"reason": "stop"}', **end)]

    return make


def ride(seconds=12, shake_ms2=2.0):
    """Counts of a vertical sine of 12 Hz on gravity, with a little noise."""
    t = np.arange(seconds * RATE_HZ) / RATE_HZ
    g = np.random.default_rng(5).normal(0, 0.002, (len(t), 3))
    g[:, 2] += 1 + shake_ms2 / STANDARD_GRAVITY_MS2 * np.sqrt(2) * np.sin(2 * np.pi * 12 * t)
    return np.rint(g * COUNTS_A_G).astype(int)


def test_its_bytes_become_the_values_of_the_ride(recording, make_capture):
    counts = ride()
    path = make_capture(recording(counts))
    with h5py.File(path) as file:
        assert plain_counts(file, "acceleration").dtype == np.int32
        assert np.array_equal(plain_counts(file, "acceleration"), counts)
        assert "rotation_differences" not in file
        assert "rotation_scale_rads" not in file.attrs
        assert file.attrs["acceleration_scale_ms2"] == pytest.approx(9.80665 / 65536)  # ±8 g over 2^19 counts
    with open_capture(path) as capture:
        integrity = check(capture)
        analysis = analyse_capture(capture, mounting="x=+X,y=+Y,z=+Z")
    assert integrity.sound, integrity.reasons
    assert integrity.temperature_c == (25.0, 25.0)
    # r.m.s. of the sine that was put in; its jerk is 2π·12 Hz times as much
    assert analysis.whole["acceleration_z"] == pytest.approx(2.0, rel=0.01)
    assert analysis.whole["jerk_z"] == pytest.approx(2.0 * 2 * np.pi * 12, rel=0.02)


def test_an_overflow_that_the_chip_cannot_count_is_reported(recording, make_capture):
    with open_capture(make_capture(recording(ride(), flags_at=100))) as capture:
        integrity = check(capture)
    (gap,) = integrity.gaps
    assert (gap["row"], gap["missing"], gap["exact"]) == (3200, None, False)
    assert integrity.fifo_overflows == 1
    assert not integrity.sound


def test_it_clips_at_the_ends_of_its_own_range(recording, make_capture):
    counts = ride()
    counts[5000, 1], counts[7000, 0], counts[9000, 2] = 2**19 - 1, -(2**19) + 1, -(2**19)
    with open_capture(make_capture(recording(counts))) as capture:
        integrity = check(capture)
    assert (integrity.clipped_samples, integrity.invalid_samples) == (2, 1)


def test_an_unknown_layout_is_named(recording, make_capture, monkeypatch):
    path = make_capture(recording(ride(2)))
    monkeypatch.delitem(LAYOUTS, 77)
    with pytest.raises(FileError, match=r"of a chip \(MADE-UP-20, layout 77\) that this towertap does not know"):
        open_capture(path)
    with pytest.raises(FileError, match="samples of MADE-UP-20, layout 77, which this towertap does not know"):
        make_capture([path.with_suffix(".ttraw").read_bytes()], "again")
