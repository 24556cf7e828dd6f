"""The host's commands: complete lines from a byte stream, a few bytes at a time and without ever waiting."""

import select

from micropython import const

from .fault import Fault

_MAX_LINE = const(256)
_PORTION = const(8)  # bytes: about a millisecond on an RP2040, short against the FIFO's 12 ms or more


class Link:
    """Collects the lines that arrive on `stream`."""

    def __init__(self, stream):
        self._read = stream.readinto
        poller = select.poll()
        poller.register(stream, select.POLLIN)
        self._poll = poller.ipoll
        self._byte = bytearray(1)
        self._line = bytearray(_MAX_LINE)
        self._length = 0

    def waiting(self):
        """Return whether bytes from the host are waiting."""
        for _ in self._poll(0):
            return True
        return False

    def line(self):
        """Take a few of the waiting bytes; return the line that they complete, without its end, or None.

        Raises Fault for a line that is too long, and EOFError at the end of the stream (never on a board).
        """
        for _ in range(_PORTION):
            if not self._read(self._byte):
                raise EOFError
            if self._byte[0] == 0x0A:
                return self._take()
            if self._length < _MAX_LINE:
                self._line[self._length] = self._byte[0]
            self._length += 1
            if not self.waiting():
                return None
        return None

    def _take(self):
        length, self._length = self._length, 0
        if length > _MAX_LINE:
            raise Fault("bad_command", "the line is longer than %d bytes" % _MAX_LINE)
        return bytes(self._line[:length])
