"""Measure the values of costs.py: run it on a board with the firmware and a sensor (`mpremote run measure.py`).

It prints the table. Each share of a frame is timed separately; CALL is the rest of a complete frame.
"""

import gc
import json
import sys
from time import sleep_ms, ticks_diff, ticks_us

import machine
from towertap_box import acquire, frame
from towertap_box.sensors import icm42688p

FRAMES = 50
CALLS = 6  # in a turn that drains: the clock twice, select twice, two transfers


class Nowhere:
    """A host that takes every frame at once."""

    def write(self, buffer, length):
        """Ignore the frame."""


def timed(call, times=20):
    """Return the mean microseconds of a call, after a first one."""
    call()
    gc.collect()
    begin = ticks_us()
    for _ in range(times):
        call()
    return ticks_diff(ticks_us(), begin) / times


def frame_us(box):
    """Return the mean microseconds of the turns that drain a frame, in the running loop."""
    total = 0
    before = box.sent
    while box.sent < before + FRAMES:
        sent = box.sent
        begin = ticks_us()
        box.turn()
        if box.sent > sent:
            total += ticks_diff(ticks_us(), begin)
    return total / FRAMES


def port_us(text):
    """Return the microseconds until the port's empty buffer, 256 bytes, has taken `text`."""
    sleep_ms(20)
    begin = ticks_us()
    sys.stdout.buffer.write(text)
    return ticks_diff(ticks_us(), begin)


def main(stream_in):
    """Print the table, and restart the board."""
    box = acquire.Box(stream_in, Nowhere())
    box.start(1000, None, None, 0)
    gc.threshold(-1)  # no collection during the measurements
    frames = box.frames
    length = len(frames.payload)
    total_us = frame_us(box)
    end = length + 36
    checked_us = (
        timed(lambda: icm42688p.are_packets(frames.payload, length))
        + timed(lambda: frame.seal(frames._buffer, end))
        + timed(lambda: frame.describe(frames._buffer, 2, 0, 1, 512, 32, 32))
        + timed(lambda: frame.step(frames._buffer, 0))
    )
    bits_us = (length + 4) * 8 / 12  # at 12 MHz
    hello = {str(i): i * 12345 for i in range(20)}
    text = json.dumps(hello)
    line = b'{"do": "mark", "text": "' + b"x" * 200 + b'"}'
    box.turn()  # feeds the watchdog
    table = (
        ("CALL_US", (total_us - checked_us - bits_us) / CALLS),
        ("FRAME_BYTE_US", checked_us / length),
        ("JSON_OUT_BYTE_US", timed(lambda: json.dumps(hello)) / len(text)),
        ("JSON_IN_BYTE_US", timed(lambda: json.loads(line)) / len(line)),
        ("COLLECT_US", timed(gc.collect, 5)),
        ("MEM_FREE_US", timed(gc.mem_free, 5)),
        ("PORT_BYTE_US", port_us(b" " * 250) / 250),
    )
    box.running = False
    print("\nmeasured on", sys.implementation[2])
    for name, value in table:
        print("%s = %.2f" % (name, value))
    machine.reset()


if __name__ == "__main__":
    main(sys.stdin.buffer)
