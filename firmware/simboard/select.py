"""MicroPython's `select`, as far as the firmware uses it, with its time on the simulated board."""

import select

POLLIN = select.POLLIN

board = None  # set by modules.install


class poll:
    """Reports whether the host has sent something."""

    def __init__(self):
        self._poll = select.poll()
        self._wait = getattr(self._poll, "ipoll", self._poll.poll)  # CPython only has poll

    def register(self, port, events):
        """Watch this port from now on."""
        self._poll.register(port.stream_in, events)

    def ipoll(self, timeout_ms):
        """Return the ready streams."""
        board.call()
        board.keep_pace()  # a loop that polls without waiting also takes time
        return self._wait(timeout_ms)
