"""Frames to the host, as hardware_notes/wire_format.md has them: header, payload, CRC-32, in one buffer made once."""

import json

import micropython
from micropython import const

from .clock import Clock, add

HELLO = const(1)
SAMPLES = const(2)
MARK = const(3)
FAULT = const(4)
STATUS = const(5)
BYE = const(6)
SELF_TEST = const(7)

OVERFLOWED = const(0x01)
LOSS_UNKNOWN = const(0x02)
RESTARTED = const(0x04)

_HEADER = const(36)
_MAX_PAYLOAD = const(2048)
_CRC = const(4)


def _crc_table():
    """CRC-32 (ISO-HDLC) of every byte, as 256 little-endian words."""
    table = bytearray(1024)
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
        table[4 * byte : 4 * byte + 4] = crc.to_bytes(4, "little")
    return table


_TABLE = _crc_table()


@micropython.viper
def seal(buffer, length: int, table):
    """Write the CRC-32 of the first `length` bytes behind them.

    The masks make it the same sum where a register has 32 bits and where it has 64; binascii.crc32 would return
    an integer that a 32-bit board must put on the heap.
    """
    data = ptr8(buffer)
    word = ptr32(table)
    crc = -1
    for i in range(length):
        crc = ((crc >> 8) & 0xFFFFFF) ^ word[(crc ^ data[i]) & 0xFF]
    crc ^= -1
    for i in range(4):
        data[length + i] = (crc >> (8 * i)) & 0xFF


@micropython.viper
def describe(buffer, kind: int, flags: int, layout: int, length: int, count: int, level: int):
    """Fill in the header's fields that differ from frame to frame."""
    byte = ptr8(buffer)
    byte[5] = kind
    byte[6] = flags
    byte[7] = layout
    half = ptr16(buffer)
    half[4] = length
    half[5] = count
    half[16] = level


class Frames:
    """The frame buffer. Its header is also where the running counters live, so that sending copies nothing.

    `first_sample`, `clock_us` (8 bytes each) and `temperature` (2 bytes) are views into the header; `clock` keeps the
    second, the loop the others. `payload` takes the samples of the next sample frame.
    """

    def __init__(self, write):
        self._write = write
        self._buffer = bytearray(_HEADER + _MAX_PAYLOAD + _CRC)
        self._buffer[0:5] = b"\xa7\x74\x62\xd5\x01"  # sync word and version
        self._view = memoryview(self._buffer)
        self._sequence = self._view[12:16]
        self.first_sample = self._view[16:24]
        self.clock_us = self._view[24:32]
        self.clock = Clock(self.clock_us)
        self.temperature = self._view[34:36]

    def hold(self, layout, count, packet):
        """Make ready for sample frames of `count` packets of `packet` bytes."""
        self._layout = layout
        self._count = count
        self._length = count * packet
        self.payload = self._view[_HEADER : _HEADER + self._length]
        self._frame = self._view[: _HEADER + self._length + _CRC]

    def send_samples(self, flags, level):
        """Send the samples in `payload`, of which the FIFO held `level`; nothing here reaches the heap."""
        describe(self._buffer, SAMPLES, flags, self._layout, self._length, self._count, level)
        seal(self._buffer, _HEADER + self._length, _TABLE)
        self._write(self._frame)
        add(self._sequence, 1, 2)
        add(self.first_sample, self._count, 4)

    def send(self, kind, content):
        """Send any other frame: `content` is text, or a dictionary to go as JSON. Overwrites `payload`."""
        if not isinstance(content, str):
            content = json.dumps(content)
        payload = content.encode()
        self.clock.advance()
        end = _HEADER + len(payload)
        self._buffer[_HEADER:end] = payload
        describe(self._buffer, kind, 0, 0, len(payload), 0, 0)
        seal(self._buffer, end, _TABLE)
        self._write(self._view[: end + _CRC])
        add(self._sequence, 1, 2)
