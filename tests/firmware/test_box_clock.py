"""The 64-bit clock, on MicroPython, over hours of a tick counter that wraps every 17.9 minutes."""

from __future__ import annotations

import random
from itertools import accumulate

SCRIPT = """
import json, sys
sys.path.insert(0, ".")

class Time:  # as on a 32-bit board; the interpreter's own ticks wrap at 2^62
    now = %d
    def ticks_us():
        return Time.now & 0x3FFFFFFF
    def ticks_diff(new, old):
        return ((new - old + 0x20000000) & 0x3FFFFFFF) - 0x20000000

sys.modules["time"] = Time
from towertap_box.clock import Clock
counter = bytearray(8)
clock = Clock(counter)
seen = []
for step in %r:
    Time.now += step
    clock.advance()
    seen.append(int.from_bytes(counter, "little"))
print(json.dumps(seen))
"""


def test_the_clock_is_exact_across_wraps(on_micropython):
    # Against Python's integers: seven hours in steps from zero to the longest allowed, beyond 2^32 and 2^34.
    numbers = random.Random(7)
    steps = [0, 1, 2**29 - 1] + [numbers.randrange(2**29) for _ in range(60)] + [2**29 - 1] * 40
    seen = on_micropython(SCRIPT % (2**30 - 5, steps))
    assert seen == list(accumulate(steps))
    assert seen[-1] > 7 * 3600 * 10**6 > 2**34


def test_a_counter_carries_through_all_its_halves(on_micropython):
    script = """
import json, sys
sys.path.insert(0, ".")
from towertap_box.clock import add
counter = bytearray(b"\\xff" * 7 + b"\\x00" + b"\\x55" * 2)
add(counter, 1, 4)
print(json.dumps(list(counter)))
"""
    assert on_micropython(script) == [0, 0, 0, 0, 0, 0, 0, 1, 0x55, 0x55]
