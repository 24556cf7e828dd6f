"""The box's clock: microseconds from box start in 64 bits, from a tick counter that wraps every 17.9 minutes."""

from time import ticks_diff, ticks_us

import micropython


@micropython.viper
def add(counter, amount: int, halves: int):
    """Add `amount` (0 to 2^30 - 1) in place to a little-endian counter of `halves` 16-bit halves at an even address.

    A 32-bit board keeps integers from 2^30 on the heap; halves avoid them.
    """
    half = ptr16(counter)
    for i in range(halves):
        amount += half[i]
        half[i] = amount & 0xFFFF
        amount >>= 16


class Clock:
    """Keeps the microseconds since it was made in `counter`, eight bytes."""

    def __init__(self, counter):
        self._counter = counter
        self._ticks = ticks_us()

    def advance(self):
        """Bring the counter up to now; call it at least every 2^29 microseconds, or a wrap is missed."""
        now = ticks_us()
        add(self._counter, ticks_diff(now, self._ticks), 4)
        self._ticks = now
