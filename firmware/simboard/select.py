"""MicroPython's `select`, as far as the firmware uses it, with the time that it takes on the simulated board."""

import select

POLLIN = select.POLLIN

_board = None


def install(board):
    """Make `board` the one whose time passes."""
    global _board
    _board = board


class poll:
    """Looks whether the host has sent something."""

    def __init__(self):
        self._poll = select.poll()
        self._look = getattr(self._poll, "ipoll", self._poll.poll)  # CPython has poll alone

    def register(self, port, events):
        """Look at this port from now on."""
        self._poll.register(port.stream_in, events)

    def ipoll(self, timeout_ms):
        """Give what is ready."""
        _board.call()
        _board.keep_pace()  # a loop that looks and never waits takes its time, too
        return self._look(timeout_ms)
