"""Decode and check: times as ratios to bare kernels of the same run, and memory that does not grow.

TOWERTAP_BENCHMARK_SECONDS sets the length of the recording; 3600 is an hour at 4 kHz, some 250 MB.
"""

import os
import struct
import tracemalloc
import zlib
from collections import deque

import h5py
import numpy as np
import pytest
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.wire.decoder import Decoder
from towertap.wire.frames import FrameType

from tests.benchmarks.conftest import seconds_of

SECONDS = float(os.environ.get("TOWERTAP_BENCHMARK_SECONDS", "40"))


@pytest.fixture(scope="module")
def drive(tmp_path_factory, write_drive):
    return write_drive(tmp_path_factory.mktemp("speed") / "drive.ttraw", SECONDS)


def struct_loop(stream):
    """Counts (n, 6), frame by frame and a sample at a time: what the decoder must beat."""
    at = stream.find(b"\xa7\x74\x62\xd5")
    while at < len(stream):
        length, count = struct.unpack_from("<HH", stream, at + 8)
        if zlib.crc32(stream[at : at + 36 + length]) == struct.unpack_from("<I", stream, at + 36 + length)[0]:
            places = range(at + 36, at + 36 + 16 * count, 16)
            samples = [struct.unpack_from(">B6hbH", stream, place)[1:7] for place in places]
            yield np.array(samples, np.int16).reshape(-1, 6)
        at += 40 + length


def decoded(stream):
    """The same by the decoder, (n, 3) and (n, 3) run by run, from the same bytes in memory."""
    for run in Decoder().feed(stream):
        if run.kind == FrameType.SAMPLES:
            yield tuple(run.counts().values())


def test_decoding_is_30_times_as_fast_as_a_loop_over_samples(write_drive, tmp_path):
    # Measured: 56 to 90; 38 beside eight others on two cores.
    stream = write_drive(tmp_path / "short.ttraw", 40).read_bytes()
    assert np.array_equal(np.vstack([np.hstack(run) for run in decoded(stream)]), np.vstack(list(struct_loop(stream))))
    by_loop, by_decoder = seconds_of(
        lambda: deque(struct_loop(stream), maxlen=0), lambda: deque(decoded(stream), maxlen=0), repeats=15
    )
    print(f"{by_loop / by_decoder:.1f} times as fast as the loop")
    assert by_loop > 30 * by_decoder, f"{by_loop / by_decoder:.1f} times"


def test_decoding_and_checking_cost_little_more_than_compressing(drive, tmp_path):
    # Bare kernel: what HDF5 alone needs to write the same counts compressed in the same way, and to read them back.
    # Measured: 2.0 and 2.2.
    bare, path = tmp_path / "bare.h5", decode_raw(drive, tmp_path / "drive.h5")
    with open_capture(path) as capture:
        counts = {name: capture.counts(name, 0, capture.n_samples) for name in capture.layout.quantities}

    def compress():
        with h5py.File(bare, "w") as file:
            for name, of_name in counts.items():
                file.create_dataset(name, data=of_name, chunks=(4096, 3), compression=1, shuffle=True)

    def inflate():
        with h5py.File(bare) as file:
            for dataset in file.values():
                for chunk in dataset.iter_chunks():
                    dataset[chunk]

    with open_capture(path) as capture:
        compressing, decoding, inflating, checking = seconds_of(
            compress, lambda: decode_raw(drive, tmp_path / "again.h5"), inflate, lambda: check(capture)
        )
    print(f"decode {SECONDS / decoding:.0f} × real time, {decoding / compressing:.1f} × compressing alone")
    print(f"check {SECONDS / checking:.0f} × real time, {checking / inflating:.1f} × inflating alone")
    assert decoding < 4 * compressing
    assert checking < 6 * inflating


def test_memory_does_not_grow_with_length(write_drive, tmp_path):
    def peak_bytes(seconds):
        raw = write_drive(tmp_path / "drive.ttraw", seconds)
        tracemalloc.start()
        try:
            with open_capture(decode_raw(raw, tmp_path / "drive.h5")) as capture:
                check(capture)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    short, long = peak_bytes(30), peak_bytes(120)
    assert long < short + 5e6
    assert long < 60e6
