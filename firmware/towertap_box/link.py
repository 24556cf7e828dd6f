"""The host's commands: whole lines out of a byte stream, a few bytes at a time and without ever waiting for one."""

import select

from micropython import const

from .fault import Fault

_MAX_LINE = const(256)
_PORTION = const(8)  # bytes: about a millisecond on an RP2040, little beside the 12 ms that a FIFO gives at least


class Link:
    """Collects the lines that come in on `stream`."""

    def __init__(self, stream):
        self._read = stream.readinto
        poller = select.poll()
        poller.register(stream, select.POLLIN)
        self._poll = poller.ipoll
        self._byte = bytearray(1)
        self._line = bytearray(_MAX_LINE)
        self._length = 0

    def waiting(self):
        """Tell whether the host has said something that is not yet taken in."""
        for _ in self._poll(0):
            return True
        return False

    def line(self):
        """Take in a few of the bytes that wait; return the line that they end, without its end, or None.

        Raises Fault for a line that is too long, and EOFError at the end of the stream (which no board ever sees).
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
