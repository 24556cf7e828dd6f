"""MicroPython's `time`, as far as the firmware uses it, on the simulated board's clock."""

_PERIOD = 1 << 30  # of the tick counters, as on a 32-bit board
_LOOK_PS = 1000000  # looking at the clock costs 1 µs, so that a loop that waits for it ends

_board = None


def install(board):
    """Make `board` the one whose clock is told."""
    global _board
    _board = board


def ticks_us():
    """Microseconds, wrapping at 2^30."""
    _board.spend(_LOOK_PS)
    return _board.ticks_us() & _PERIOD - 1


def ticks_ms():
    """Milliseconds, wrapping at 2^30."""
    _board.spend(_LOOK_PS)
    return _board.ticks_us() // 1000 & _PERIOD - 1


def ticks_add(ticks, delta):
    """`ticks` moved by `delta`."""
    return ticks + delta & _PERIOD - 1


def ticks_diff(end, start):
    """From `start` to `end`, between −2^29 and 2^29 − 1."""
    return (end - start + (_PERIOD >> 1) & _PERIOD - 1) - (_PERIOD >> 1)


def sleep_us(us):
    """Wait so many microseconds."""
    _board.sleep(us * 1000000)


def sleep_ms(ms):
    """Wait so many milliseconds."""
    _board.sleep(ms * 1000000000)


def sleep(seconds):
    """Wait so many seconds."""
    _board.sleep(round(seconds * 1e12))
