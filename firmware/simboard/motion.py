"""The motion of the chip: rows from a file, read in blocks, or a body at rest."""

from array import array

import micropython
from micropython import const

ROWS = const(2048)  # of a block
LEAD = const(648)  # rows of the last block kept in front: the most that one sample needs (at 25 Hz)


class Motion:
    """A window on six columns of int32 (µm/s² in x, y, z; µrad/s in x, y, z), at `rate_hz`.

    After the end of the file it repeats if `repeat`, else the body rests with the row `rest`. Without a file it always
    rests.
    """

    def __init__(self, path, rate_hz, repeat, rest):
        self.rate_hz = rate_hz
        self.rest = array("i", rest)
        self.rows = array("i", [0] * ((ROWS + LEAD) * 6))
        self._file = open(path, "rb") if path else None
        self._repeat = repeat
        self._block = memoryview(self.rows)[LEAD * 6 :]

    def rewind(self):
        """Begin at the first row; return its index in `rows`, where a copy of it also precedes it."""
        if self._file:
            self._file.seek(0)
        self._read()
        for i in range(6):
            self.rows[(LEAD - 1) * 6 + i] = self.rows[LEAD * 6 + i]
        return LEAD

    def advance(self):
        """Read the next block; row ROWS + i becomes row i."""
        _copy_words(self.rows, ROWS * 6, LEAD * 6)
        self._read()

    def _read(self):
        filled = 0
        if self._file:
            filled = self._file.readinto(self._block)
            while self._repeat and filled < ROWS * 24:
                self._file.seek(0)
                filled += self._file.readinto(self._block[filled // 4 :])
        for i in range(LEAD * 6 + filled // 4, (ROWS + LEAD) * 6):
            self.rows[i] = self.rest[i % 6]


@micropython.viper
def _copy_words(buffer, at: int, n: int):
    """Copy `n` 32-bit words from index `at` to the start."""
    word = ptr32(buffer)
    for i in range(n):
        word[i] = word[at + i]
