"""The box's clock: microseconds from box start in 64 bits, out of a tick counter that wraps every 17.9 minutes."""

from time import ticks_diff, ticks_us

import micropython


@micropython.viper
def add(counter, amount: int, halves: int):
    """Add `amount` (0 to 2^30 - 1) to a little-endian counter of so many 16-bit halves, in place, at an even address.

    A 32-bit board keeps an integer from 2^30 up on the heap; in halves no such integer is ever made.
    """
    half = ptr16(counter)
    for i in range(halves):
        amount += half[i]
        half[i] = amount & 0xFFFF
        amount >>= 16


class Clock:
    """Keeps `counter`, eight bytes, at the microseconds since the clock was made."""

    def __init__(self, counter):
        self._counter = counter
        self._ticks = ticks_us()

    def advance(self):
        """Bring the counter up to now; at the latest every 2^29 microseconds, or a wrap goes unseen."""
        now = ticks_us()
        add(self._counter, ticks_diff(now, self._ticks), 4)
        self._ticks = now
