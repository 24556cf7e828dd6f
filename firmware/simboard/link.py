"""The serial port's outward stream, with the link faults that a run asks for."""

import io


class Link(io.IOBase):
    """Passes bytes on to `stream`, losing or flipping those that the board's link faults name."""

    def __init__(self, stream, board):
        self._stream = stream
        self._faults = board.link_faults

    def write(self, data):
        """Send all of `data`, or what the faults leave of it."""
        sent = data
        while self._faults and len(sent):
            name, count = self._faults[0]
            middle = len(sent) // 2
            if name == "lost_bytes":
                lost = min(count, len(sent) - middle)
                sent = bytes(sent[:middle]) + bytes(sent[middle + lost :])
            else:
                lost = 1
                sent = bytearray(sent)
                sent[middle] ^= 1 << count % 8
            self._faults[0][1] -= lost
            if self._faults[0][1] <= 0:
                self._faults.pop(0)
            else:
                break  # the rest of it in the next frame
        self._write_all(sent)
        return len(data)

    def _write_all(self, data):
        done = self._stream.write(data)
        while done < len(data):  # an unbuffered stream may take less
            done += self._stream.write(data[done:])
