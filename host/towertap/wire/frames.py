"""Frames and commands between box and host, as defined in hardware_notes/wire_format.md: header, types, flags."""

import json
from enum import IntEnum, IntFlag
from typing import Any

import numpy as np

SYNC = bytes.fromhex("A77462D5")
VERSION = 1
MAX_PAYLOAD = 2048
MAX_COMMAND = 256
UNKNOWN_TEMPERATURE = -32768
"""Temperature word of the header if the chip's temperature is not known."""

HEADER = np.dtype(
    [
        ("sync", "<u4"),
        ("version", "u1"),
        ("type", "u1"),
        ("flags", "u1"),
        ("layout", "u1"),
        ("length", "<u2"),
        ("count", "<u2"),
        ("sequence", "<u4"),
        ("first_sample", "<i8"),
        ("clock_us", "<i8"),
        ("fifo_level", "<u2"),
        ("temperature", "<i2"),
    ]
)
"""The 36 bytes before the payload. The 64-bit counters are read as signed: 2^63 µs is 290,000 years."""

OVERHEAD = HEADER.itemsize + 4
"""Bytes of a frame besides the payload: header and check value."""


class FrameType(IntEnum):
    """What a frame carries."""

    HELLO = 1
    SAMPLES = 2
    MARK = 3
    FAULT = 4
    STATUS = 5
    BYE = 6
    SELF_TEST = 7


class Flag(IntFlag):
    """What happened since the last sample frame."""

    OVERFLOW = 1
    LOSS_UNKNOWN = 2
    RESTARTED = 4


def command_line(command: dict[str, Any]) -> bytes:
    """A command to the box as one ASCII line of JSON; ValueError if it exceeds MAX_COMMAND bytes."""
    line = json.dumps(command, separators=(",", ":"), allow_nan=False).encode("ascii") + b"\n"
    if len(line) > MAX_COMMAND:
        raise ValueError(f"a command of {len(line)} bytes is longer than the {MAX_COMMAND} that the box accepts")
    return line
