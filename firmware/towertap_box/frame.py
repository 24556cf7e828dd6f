"""Frames to the host (hardware_notes/wire_format.md): header, payload, CRC-32, in one preallocated buffer."""

import micropython
from micropython import const

from .clock import Clock

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

_TABLE = bytearray(4096)


@micropython.viper
def _tabulate():
    """Fill in the CRC-32 (ISO-HDLC) of every byte, then of every byte followed by one, two and three zero bytes."""
    table = ptr32(_TABLE)
    polynomial = (uint(0xEDB8) << 16) | 0x8320
    for byte in range(256):
        crc = uint(byte)
        for _ in range(8):
            if crc & 1:
                crc = (crc >> 1) ^ polynomial
            else:
                crc >>= 1
        table[byte] = crc
    for i in range(768):
        crc = uint(table[i])
        table[256 + i] = (crc >> 8) ^ uint(table[crc & 0xFF])


_tabulate()


@micropython.viper
def seal(buffer, length: int):
    """Write the CRC-32 of the first `length` bytes after them; `buffer` is aligned to four bytes.

    Four bytes per step, each by its own part of the table ("slicing by four"). binascii.crc32 would return an integer
    that a 32-bit board must put on the heap.
    """
    crc = (uint(0xFFFF) << 16) | 0xFFFF  # the third local, so that the compiler keeps it in a register
    table = ptr32(_TABLE)
    word = ptr32(buffer)
    words = length >> 2
    i = 0
    while i < words:
        crc ^= uint(word[i])
        i += 1
        crc = (
            uint(table[768 + (crc & 0xFF)])
            ^ uint(table[512 + ((crc >> 8) & 0xFF)])
            ^ uint(table[256 + ((crc >> 16) & 0xFF)])
            ^ uint(table[crc >> 24])
        )
    byte = ptr8(buffer)
    i <<= 2
    while i < length:
        crc = (crc >> 8) ^ uint(table[(crc ^ uint(byte[i])) & 0xFF])
        i += 1
    for i in range(4):
        byte[length + i] = int((crc & 0xFF) ^ 0xFF)
        crc >>= 8


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


@micropython.viper
def step(buffer, count: int):
    """Advance the sequence number and the sample counter after a frame of `count` samples."""
    half = ptr16(buffer)
    carry = 1
    for i in range(6, 8):
        carry += half[i]
        half[i] = carry & 0xFFFF
        carry >>= 16
    carry = count
    for i in range(8, 12):
        carry += half[i]
        half[i] = carry & 0xFFFF
        carry >>= 16


@micropython.viper
def copy(into, at: int, source, length: int):
    """Copy the first `length` bytes of `source` into `into`, starting at `at`, without a slice, which takes heap."""
    target = ptr8(into)
    byte = ptr8(source)
    for i in range(length):
        target[at + i] = byte[i]


class Frames:
    """The frame buffer. Its header holds the running counters themselves, so sending copies nothing.

    `write(buffer, length)` sends the first `length` bytes. `first_sample`, `clock_us` (8 bytes each) and `temperature`
    (2 bytes) are views into the header; `clock` updates `clock_us`, the loop the others. `payload` takes the samples of
    the next sample frame.
    """

    def __init__(self, write):
        self._write = write
        self._buffer = bytearray(_HEADER + _MAX_PAYLOAD + _CRC)
        self._buffer[0:5] = b"\xa7\x74\x62\xd5\x01"  # sync word and version
        self._view = memoryview(self._buffer)
        self.first_sample = self._view[16:24]
        self.clock_us = self._view[24:32]
        self.clock = Clock(self.clock_us)
        self.temperature = self._view[34:36]

    def hold(self, layout, count, packet):
        """Prepare for sample frames of `count` packets of `packet` bytes."""
        self._layout = layout
        self._count = count
        self._length = count * packet
        self.payload = self._view[_HEADER : _HEADER + self._length]

    @micropython.native
    def send_samples(self, flags, level):
        """Send the samples in `payload`, of which the FIFO held `level`, without heap."""
        end = _HEADER + self._length
        describe(self._buffer, SAMPLES, flags, self._layout, self._length, self._count, level)
        seal(self._buffer, end)
        self._write(self._buffer, end + _CRC)
        step(self._buffer, self._count)

    def send(self, kind, payload):
        """Send any other frame, its payload given as bytes, without heap; overwrites `payload`."""
        length = len(payload)
        end = _HEADER + length
        self.clock.advance()
        copy(self._buffer, _HEADER, payload, length)
        describe(self._buffer, kind, 0, 0, length, 0, 0)
        seal(self._buffer, end)
        self._write(self._buffer, end + _CRC)
        step(self._buffer, 0)
