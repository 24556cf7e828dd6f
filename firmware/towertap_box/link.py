"""The host's commands: whole lines out of a byte stream, without ever waiting for one."""

import select

from micropython import const

from .fault import Fault

_MAX_LINE = const(256)


class Link:
    """Collects the lines that come in on `stream`."""

    def __init__(self, stream):
        self._read = stream.readinto
        poller = select.poll()
        poller.register(stream, select.POLLIN)
        self._poll = getattr(poller, "ipoll", poller.poll)  # ipoll is poll without the heap; CPython has poll alone
        self._byte = bytearray(1)
        self._line = bytearray(_MAX_LINE)
        self._length = 0

    def line(self):
        """Return the next whole line without its end, or None while there is none.

        Raises Fault for a line that is too long, and EOFError at the end of the stream (which no board ever sees).
        """
        for _ in range(_MAX_LINE):  # and no further, so that a flood of bytes cannot keep the loop from its samples
            if not self._waiting():
                return None
            if not self._read(self._byte):
                raise EOFError
            if self._byte[0] == 0x0A:
                return self._take()
            if self._length < _MAX_LINE:
                self._line[self._length] = self._byte[0]
            self._length += 1
        return None

    def _waiting(self):
        for _ in self._poll(0):
            return True
        return False

    def _take(self):
        length, self._length = self._length, 0
        if length > _MAX_LINE:
            raise Fault("bad_command", "the line is longer than %d bytes" % _MAX_LINE)
        return bytes(self._line[:length])
