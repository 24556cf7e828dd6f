"""Frames from the firmware's viper code on MicroPython are the bytes that the wire format's page describes."""

from __future__ import annotations

import json
import random
import zlib

SEND = """
import json, sys
sys.path.insert(0, ".")
from towertap_box import frame
from towertap_box.clock import add

class Out:
    sent = []
    def write(self, buffer, length):
        self.sent.append(bytes(buffer[:length]).hex())

frames = frame.Frames(Out().write)
frames.clock.advance = lambda: None
frames.clock_us[:] = (0x0123456789ABCDEF).to_bytes(8, "little")
frames.temperature[:] = b"\\x2e\\xfb"
frames._buffer[12:16] = (2**32 - 2).to_bytes(4, "little")
add(frames.first_sample, 0x3FFFFFFF, 4)
frames.hold(1, 32, 16)
for i in range(512):
    frames.payload[i] = i * 7 & 0xFF
frames.send_samples(0x05, 97)
frames.send(frame.MARK, "quarry-lane, début".encode())
frames.send_samples(0, 32)
frames.send(frame.FAULT, b'{"fault": "bus_error", "detail": "one"}')
print(json.dumps(Out.sent))
"""


def test_crc_check_value(on_micropython):
    # ISO-HDLC (IEEE 802.3): the nine ASCII digits give 0xCBF43926.
    script = """
import json, sys
sys.path.insert(0, ".")
from towertap_box import frame
buffer = bytearray(b"123456789" + bytes(4))
frame.seal(buffer, 9)
print(json.dumps(list(buffer[9:])))
"""
    assert bytes(on_micropython(script)) == (0xCBF43926).to_bytes(4, "little")


def test_crc_of_any_bytes(on_micropython):
    # Against zlib.crc32, for lengths from zero to a full payload, multiples of four and others.
    numbers = random.Random(20)
    blocks = [numbers.randbytes(length) for length in (0, 1, 2, 3, 4, 7, 255, 2084)]
    script = """
import json, sys
sys.path.insert(0, ".")
from towertap_box import frame
crcs = []
for block in %r:
    buffer = bytearray(block + bytes(4))
    frame.seal(buffer, len(block))
    crcs.append(list(buffer[len(block):]))
print(json.dumps(crcs))
"""
    crcs = on_micropython(script % (blocks,))
    assert [int.from_bytes(bytes(crc), "little") for crc in crcs] == [zlib.crc32(block) for block in blocks]


def test_frames_equal_those_built_by_hand(on_micropython, by_hand):
    sent = [bytes.fromhex(text) for text in on_micropython(SEND)]
    payload = bytes(i * 7 & 0xFF for i in range(512))
    common = {"clock": 0x0123456789ABCDEF, "temperature": 0xFB2E - 0x10000}
    # The sequence began at 2^32 - 2, so it wraps.
    expected = [
        by_hand.frame(2, payload, flags=5, layout=1, count=32, sequence=2**32 - 2, first=2**30 - 1, fifo=97, **common),
        by_hand.frame(3, "quarry-lane, début".encode(), sequence=2**32 - 1, first=2**30 + 31, **common),
    ]
    assert sent[:2] == expected
    overwritten = "quarry-lane, début".encode() + payload[len("quarry-lane, début".encode()) :]
    crc = int.from_bytes(overwritten[19:23], "little")
    assert crc  # the mark's CRC lies inside the payload's place as well: the sender fills the payload before each frame
    assert sent[2][:36] == by_hand.frame(2, payload, layout=1, count=32, first=2**30 + 31, fifo=32, **common)[:36]
    assert zlib.crc32(sent[2][:-4]) == int.from_bytes(sent[2][-4:], "little")
    assert json.loads(sent[3][36:-4]) == {"fault": "bus_error", "detail": "one"}
    assert sent[3] == by_hand.frame(4, sent[3][36:-4], sequence=1, first=2**30 + 63, **common)
