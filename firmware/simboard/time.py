"""MicroPython's `time`, as far as the firmware uses it, on the simulated board's clock."""

_PERIOD = 1 << 30  # of the tick counters, as on a 32-bit board
_MS = 1000000000  # in picoseconds

board = None  # set by modules.install


def ticks_us():
    """Microseconds, wrapping at 2^30."""
    board.call()
    return board.ticks_us() & _PERIOD - 1


def ticks_ms():
    """Milliseconds, wrapping at 2^30."""
    board.call()
    return board.ticks_us() // 1000 & _PERIOD - 1


def ticks_add(ticks, delta):
    """`ticks` moved by `delta`."""
    return ticks + delta & _PERIOD - 1


def ticks_diff(end, start):
    """From `start` to `end`, between −2^29 and 2^29 − 1."""
    return (end - start + (_PERIOD >> 1) & _PERIOD - 1) - (_PERIOD >> 1)


def sleep_us(us):
    """Wait for some microseconds."""
    board.sleep(us * 1000000)


def sleep_ms(ms):
    """Wait until the clock has advanced by `ms` ticks of a millisecond: up to 1 ms less, as on the rp2 port."""
    board.sleep(ms * _MS - board.ticks_us() % 1000 * 1000000)


def sleep(seconds):
    """Wait for some seconds."""
    board.sleep(round(seconds * 1e12))
