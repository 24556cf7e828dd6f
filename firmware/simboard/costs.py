"""Processor time of the firmware on an RP2040 at 125 MHz, in nanoseconds, as measured by measure.py.

Measured on an emulated RP2040 (rp2040js) with the real MicroPython 1.26.1. A miss of the flash cache costs 60 clocks,
an estimate for a usual board; with 0 clocks CALL is 42 µs and PORT_BYTE 0.17 µs, the others nearly as here. The Python
between two calls is charged only as part of CALL.
"""

from micropython import const

CALL_NS = const(57000)  # a call of pin, bus, clock or port, and the Python on the way to it
FRAME_BYTE_NS = const(520)  # a byte of a frame: checked, described and sealed
PORT_BYTE_NS = const(700)  # a byte into the port's buffer
JSON_OUT_BYTE_NS = const(3230)  # a character written
JSON_IN_BYTE_NS = const(3540)  # a character read
COLLECT_NS = const(3905000)  # a garbage collection, with the firmware on the heap and little garbage
MEM_FREE_NS = const(8735000)  # a query of the free heap

# The port: MicroPython's buffer of 256 bytes, and a host that fetches a packet of 64 bytes in 60 µs, nearly as fast as
# USB full speed allows.
PORT_BUFFER = const(256)
HOST_BYTE_NS = const(938)
PATIENCE_NS = const(500000000)  # how long MicroPython waits for room before it drops the rest

HEAP = const(190000)  # bytes of garbage until MicroPython collects by itself
GARBAGE = const(5)  # bytes of garbage for each character of JSON
