"""The serial port: the host's bytes in, frames out, with the time for both and the faults of a link."""

from . import costs


class Port:
    """The box's two streams; loses or flips bytes according to the board's link faults."""

    def __init__(self, stream_in, stream_out, board):
        self.stream_in = stream_in
        self._stream_out = stream_out
        self._board = board
        self._fetched_ps = 0  # when the host will have fetched everything written

    def readinto(self, buffer):
        """Fill `buffer` with what the host sent."""
        self._board.call()
        return self.stream_in.readinto(buffer)

    def write(self, buffer, length):
        """Send the first `length` bytes, less what a full port drops and the faults damage."""
        self._board.call(length * costs.FRAME_BYTE_NS)
        self._write_all(self._damaged(memoryview(buffer)[: length - self._dropped(length)]))
        return length

    def _dropped(self, length):
        """Wait until the port's buffer has taken all bytes; return how many are dropped after the port's patience."""
        board = self._board
        byte_ps = costs.HOST_BYTE_NS * 1000
        begin_ps = max(self._fetched_ps, board.now_ps, board.silent_until_ps)  # when the host begins to fetch these
        board.spend(length * costs.PORT_BYTE_NS * 1000)
        wait_ps = begin_ps + (length - costs.PORT_BUFFER) * byte_ps - board.now_ps
        dropped = 0
        if wait_ps > costs.PATIENCE_NS * 1000:
            wait_ps = costs.PATIENCE_NS * 1000
            waiting = (begin_ps - max(board.now_ps, board.silent_until_ps)) // byte_ps
            dropped = max(0, min(length, waiting + length - costs.PORT_BUFFER))
        self._fetched_ps = begin_ps + (length - dropped) * byte_ps
        if wait_ps > 0:
            board.sleep(wait_ps)
        return dropped

    def _damaged(self, data):
        faults = self._board.link_faults
        while faults and len(data):
            name, count = faults[0]
            middle = len(data) // 2
            if name == "lost_bytes":
                lost = min(count, len(data) - middle)
                data = bytes(data[:middle]) + bytes(data[middle + lost :])
            else:
                lost = 1
                data = bytearray(data)
                data[middle] ^= 1 << count % 8
            faults[0][1] -= lost
            if faults[0][1] <= 0:
                faults.pop(0)
            else:
                break  # it continues in the next frame
        return data

    def _write_all(self, data):
        done = self._stream_out.write(data)
        while done < len(data):  # an unbuffered stream may take less
            done += self._stream_out.write(data[done:])
