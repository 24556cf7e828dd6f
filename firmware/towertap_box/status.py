"""The content of a status frame: a JSON object whose numbers are written in place, without heap."""

import micropython
from micropython import const

from .frame import copy

_NAMES = ("frames", "lost", "overflows", "bus_errors", "busy_percent", "longest_stall_us")
FRAMES, LOST, OVERFLOWS, BUS_ERRORS, BUSY_PERCENT, LONGEST_STALL_US = range(6)

_WIDTH = const(10)
_RUNNING = const(12)  # position of true or false in the text


@micropython.viper
def _write_number(text, end: int, number: int):
    """Write a number from 0 to 2^30 - 1, padded with spaces on the left, into the ten bytes that end at `end`."""
    byte = ptr8(text)
    for i in range(10):
        digit = 0x20
        if number or i == 0:
            digit = 0x30 + number % 10
        end -= 1
        byte[end] = digit
        number //= 10


class Status:
    """`text` is the content; `put` writes its numbers. JSON allows the spaces before them."""

    def __init__(self):
        self.text = bytearray(b'{"running": false')
        self._ends = []
        for name in _NAMES:
            self.text += b', "%s": %s' % (name.encode(), b" " * _WIDTH)
            self._ends.append(len(self.text))
        self.text += b"}"

    def put(self, which, number):
        """Write one of the numbers."""
        _write_number(self.text, self._ends[which], number)

    def put_running(self, running):
        """Write whether samples are recorded."""
        copy(self.text, _RUNNING, b" true" if running else b"false", 5)
