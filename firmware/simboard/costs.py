"""What the firmware costs the processor: an RP2040 at 125 MHz, in nanoseconds, as measure.py measured it.

Measured on an emulated RP2040 (rp2040js) running the real MicroPython 1.26.1, a miss of the flash cache taken as 60
clocks, which is an estimate for a usual board; with 0 clocks CALL is 42 µs and PORT_BYTE 0.17 µs, the others nearly as
here. Nothing is charged for the Python between two calls but what CALL holds.
"""

from micropython import const

CALL_NS = const(57000)  # a call of pin, bus, clock or port, and the Python on the way to it
FRAME_BYTE_NS = const(520)  # a byte of a frame: checked, described and sealed
PORT_BYTE_NS = const(700)  # a byte into the port's buffer
JSON_OUT_BYTE_NS = const(3230)  # a character written
JSON_IN_BYTE_NS = const(3540)  # a character read
COLLECT_NS = const(3905000)  # the heap collected, with the firmware on it and little garbage
MEM_FREE_NS = const(8735000)  # the heap's state asked for

# The port: MicroPython's buffer of 256 bytes, and a host that fetches a packet of 64 bytes in 60 µs, nearly as fast as
# USB's full speed allows.
PORT_BUFFER = const(256)
HOST_BYTE_NS = const(938)
PATIENCE_NS = const(500000000)  # MicroPython waits so long for room, and then drops the rest

HEAP = const(190000)  # bytes of garbage until MicroPython collects by itself
GARBAGE = const(5)  # bytes of garbage for each character of JSON
