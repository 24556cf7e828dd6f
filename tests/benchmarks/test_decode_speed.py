"""Decode and check: times as ratios to bare kernels of the same run, and memory that does not grow.

TOWERTAP_BENCHMARK_SECONDS sets the length of the recording; 3600 is an hour at 4 kHz, some 250 MB.
"""

import os
import struct
import time
import tracemalloc
import zlib

import numpy as np
import pytest
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.wire.decoder import Decoder
from towertap.wire.frames import FrameType

SECONDS = float(os.environ.get("TOWERTAP_BENCHMARK_SECONDS", "40"))
RATE_HZ = 4000
FRAMES_A_BLOCK = 500

FRAME = np.dtype(
    [
        *(("sync", "<u4"), ("version", "u1"), ("type", "u1"), ("flags", "u1"), ("layout", "u1"), ("length", "<u2")),
        *(("count", "<u2"), ("sequence", "<u4"), ("first", "<u8"), ("clock", "<u8"), ("fifo", "<u2")),
        *(("temperature", "<i2"), ("packets", [("head", "u1"), ("counts", ">i2", 6), ("tail", "u1", 3)], 32)),
        ("crc", "<u4"),
    ]
)
"""A sample frame of 32 packets, from hardware_notes/wire_format.md."""


def write_drive(path, hello, seconds):
    """A drive over a rough road as raw bytes, made in blocks."""
    rng = np.random.default_rng(1)
    frames = int(seconds * RATE_HZ) // 32
    with path.open("wb") as file:
        file.write(hello)
        for start in range(0, frames, FRAMES_A_BLOCK):
            number = np.arange(start, min(start + FRAMES_A_BLOCK, frames))
            block = np.zeros(len(number), FRAME)
            block["sync"], block["version"], block["type"], block["layout"] = 0xD56274A7, 1, 2, 1
            block["length"], block["count"], block["fifo"] = 512, 32, 32
            block["sequence"], block["first"] = number + 1, 32 * number
            block["clock"] = (32 * number + 31) / RATE_HZ * 1e6 + rng.uniform(0, 250, len(number))
            block["packets"]["head"] = 0x68
            block["packets"]["counts"] = rng.normal([0, 0, 2048, 0, 0, 0], 300, (len(number), 32, 6))
            rows = block.view("u1").reshape(len(number), -1)
            block["crc"] = [zlib.crc32(row[:-4]) for row in rows]
            file.write(block.tobytes())
    return path


@pytest.fixture(scope="module")
def drive(tmp_path_factory, by_hand):
    return write_drive(tmp_path_factory.mktemp("speed") / "drive.ttraw", by_hand.hello(), SECONDS)


def seconds_of(work, repeats=3):
    times = []
    for _ in range(repeats):
        started = time.process_time()
        work()
        times.append(time.process_time() - started)
    return min(times)


def struct_loop(stream):
    """Counts (n, 6), a sample at a time: what the decoder must beat."""
    samples, at = [], stream.find(b"\xa7\x74\x62\xd5")
    while at < len(stream):
        length, count = struct.unpack_from("<HH", stream, at + 8)
        if zlib.crc32(stream[at : at + 36 + length]) == struct.unpack_from("<I", stream, at + 36 + length)[0]:
            for place in range(at + 36, at + 36 + 16 * count, 16):
                samples.append(struct.unpack_from(">B6hbH", stream, place)[1:7])
        at += 40 + length
    return np.array(samples, np.int16)


def decoded(stream):
    """The same counts by the decoder, fed as a file is read."""
    decoder = Decoder()
    runs = [run for at in range(0, len(stream), 2**20) for run in decoder.feed(stream[at : at + 2**20])]
    packets = [run.packets for run in runs if run.kind == FrameType.SAMPLES]
    counts = np.empty((sum(part.size for part in packets), 6), np.int16)
    at = 0
    for part in packets:
        rows = counts[at : at + part.size].reshape(*part.shape, 6)
        rows[..., :3], rows[..., 3:] = part["acceleration"], part["rotation"]
        at += part.size
    return counts


def test_decoding_is_20_times_as_fast_as_a_loop_over_samples(by_hand, tmp_path):
    stream = write_drive(tmp_path / "short.ttraw", by_hand.hello(), 10).read_bytes()
    assert np.array_equal(struct_loop(stream), decoded(stream))
    by_loop = seconds_of(lambda: struct_loop(stream))
    by_decoder = seconds_of(lambda: decoded(stream))
    assert by_loop > 20 * by_decoder, f"{by_loop / by_decoder:.0f} times"


def test_decoding_and_checking_cost_little_more_than_compressing(drive, tmp_path):
    # Bare kernel: what gzip level 1 alone needs for the shuffled counts, and to get them back. Measured: 1.3 and 2.
    counts = np.frombuffer(drive.read_bytes()[len(drive.read_bytes()) % FRAME.itemsize :], FRAME)["packets"]["counts"]
    planes = np.ascontiguousarray(counts.astype("<i2").reshape(-1, 6)).view("u1").reshape(-1, 2).T
    blocks = [np.ascontiguousarray(planes[:, at : at + 12288]).tobytes() for at in range(0, planes.shape[1], 12288)]
    compressed = [zlib.compress(block, 1) for block in blocks]
    compressing = seconds_of(lambda: [zlib.compress(block, 1) for block in blocks], 1)
    inflating = seconds_of(lambda: [zlib.decompress(block) for block in compressed])
    path = tmp_path / "drive.h5"
    decoding = seconds_of(lambda: decode_raw(drive, path), 1)
    with open_capture(path) as capture:
        checking = seconds_of(lambda: check(capture), 1)
    print(f"decode {SECONDS / decoding:.0f} × real time, check {SECONDS / checking:.0f} × real time")
    assert decoding < 4 * compressing
    assert checking < 6 * inflating + 0.5


def test_memory_does_not_grow_with_length(by_hand, tmp_path):
    def peak_bytes(seconds):
        raw = write_drive(tmp_path / "drive.ttraw", by_hand.hello(), seconds)
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
