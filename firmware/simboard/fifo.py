"""The chip's FIFO: 2048 bytes of packets in a ring (data sheet DS-000347, section 6)."""

import micropython
from micropython import const

RECORDS = const(128)
PACKET = const(16)  # bytes of a packet of structure 3 (section 6.1)


class Fifo:
    """Holds `records` packets, the oldest possibly read in part; counts those `lost`."""

    def __init__(self):
        self._ring = bytearray(RECORDS * PACKET)
        self._refused = bytearray(RECORDS * PACKET)  # for packets that stop-on-full discards
        self.flush()

    def flush(self):
        """Empty it and clear the lost-packet count (the sheet does not say)."""
        self._head = 0  # packet to be written next
        self._read = 0  # bytes of the oldest packet that are read
        self._begun = False
        self.records = 0
        self.lost = 0

    def bytes_held(self):
        """How many bytes can be read now."""
        return self.records * PACKET - self._read

    def space(self):
        """How many packets fit before it is full."""
        return RECORDS - self.records

    def store(self, n, maker, stop_on_full):
        """Take `n` packets, written by `maker.make(buffer, first, n)`; when full, lose the oldest or refuse the new."""
        self._begun = True
        while n:
            space = self.space()
            if stop_on_full and not space:
                part = min(n, RECORDS)
                maker.make(self._refused, 0, part)
                self.lost += part
            else:
                part = min(n, RECORDS - self._head)
                if stop_on_full:
                    part = min(part, space)
                maker.make(self._ring, self._head, part)
                self._head = self._head + part & RECORDS - 1
                self.records += part
                if self.records > RECORDS:
                    self.lost += self.records - RECORDS
                    self.records = RECORDS
                    self._read = 0
            n -= part

    def newest(self, into):
        """Copy the newest packet, if there has been one since the flush; return whether there was."""
        if self._begun:
            _copy(self._ring, (self._head - 1 & RECORDS - 1) * PACKET, into, 0, PACKET)
        return self._begun

    def read(self, into, first, n):
        """Move `n` bytes into `into`, starting at `first`; 0xFF if there are no more."""
        available = min(n, self.bytes_held())
        start = ((self._head - self.records & RECORDS - 1) * PACKET) + self._read
        if into is not None:
            _copy(self._ring, start, into, first, available)
            for i in range(first + available, first + n):
                into[i] = 0xFF
        self._read += available
        self.records -= self._read // PACKET
        self._read %= PACKET

    def end_read(self, resume):
        """End a read: the next one starts a partly read packet again, unless `resume`."""
        if not resume:
            self._read = 0


@micropython.viper
def _copy(ring, at: int, into, first: int, n: int):
    source = ptr8(ring)
    out = ptr8(into)
    for i in range(n):
        out[first + i] = source[(at + i) & 2047]
