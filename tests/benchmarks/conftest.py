"""Drives as a box would send them, made fast and in blocks."""

import zlib

import numpy as np
import pytest

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


def write(path, by_hand, seconds, driven=None):
    """White noise, or the counts (n, 6) of a drive again and again, as raw bytes, made in blocks."""
    rng = np.random.default_rng(1)
    frames = int(seconds * RATE_HZ) // 32
    with path.open("wb") as file:
        file.write(by_hand.hello())
        for start in range(0, frames, FRAMES_A_BLOCK):
            number = np.arange(start, min(start + FRAMES_A_BLOCK, frames))
            block = np.zeros(len(number), FRAME)
            block["sync"], block["version"], block["type"], block["layout"] = 0xD56274A7, 1, 2, 1
            block["length"], block["count"], block["fifo"] = 512, 32, 32
            block["sequence"], block["first"] = number + 1, 32 * number
            block["clock"] = (32 * number + 31) / RATE_HZ * 1e6 + rng.uniform(0, 250, len(number))
            block["packets"]["head"] = 0x68
            noise = rng.normal([0, 0, 2048, 0, 0, 0], 300, (len(number), 32, 6))
            rows = (32 * number[:, None] + np.arange(32)) % (1 if driven is None else len(driven))
            block["packets"]["counts"] = noise if driven is None else driven[rows]
            whole = block.view("u1").reshape(len(number), -1)
            block["crc"] = [zlib.crc32(row[:-4]) for row in whole]
            file.write(block.tobytes())
        clock_us = int(block["clock"][-1]) + 10
        file.write(by_hand.frame(6, b'{"reason": "stop"}', sequence=frames + 1, first=32 * frames, clock=clock_us))
    return path


@pytest.fixture(scope="session")
def write_drive(by_hand):
    """A function from a path and seconds to the path, a raw recording of a drive at 4 kHz behind it."""
    return lambda path, seconds: write(path, by_hand, seconds)
