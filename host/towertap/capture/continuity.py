"""Finds what is missing, samples and messages, from the counters of the frames themselves."""

import numpy as np

from towertap.wire.decoder import Frames
from towertap.wire.frames import Flag
from towertap.wire.messages import Hello

LARGEST_COUNTER = 2**60
"""No box counts so far; it keeps the arithmetic within 64 bits whatever a stream claims."""

UNKNOWN = -1
"""Missing samples of a gap across which nothing counted."""

LINK = b"link"
"""Frames lost or damaged between box and host: so many are missing that they held all of the samples."""
OVERFLOW = b"overflow"
"""The chip's FIFO overflowed and the box knows how many samples it lost; the frame that said so may be missing too."""
OVERFLOW_AT_LEAST = b"overflow_at_least"
"""The chip's FIFO overflowed and the number is a lower bound."""
CHIP_RESTART = b"chip_restart"
"""The chip or its bus was restarted; the number, if any, is a lower bound."""
BOX_RESTART = b"box_restart"
"""The box started anew, and its counters and clock with it: nobody knows how long it was away."""

NOT_IN_FILE = b"not in the file"
"""Another recorder's file was imported: its time goes on and its samples do not, or it holds none there."""

EXACT = (LINK, OVERFLOW, NOT_IN_FILE)
"""Gaps whose missing samples are counted; of the others the number is unknown or a lower bound."""

SEQUENCES = 2**32
"""A sequence that steps by half of these or more has fallen."""


class Continuity:
    """Follows the sequence of all frames, and the counter of samples, from frame to frame.

    A counter's step larger than the last frame's count is exactly what is missing (wire format, "The sample counter
    counts samples of the chip"). Frames are missing where the sequence steps; those that the missing samples do not
    account for were messages. A box that started anew (another boot id; sequence, counter or clock gone back) begins
    counters of its own. What is found waits in `gaps` and `lost_messages`, as rows of the capture's tables.
    """

    def __init__(self) -> None:
        self.rows = 0
        """Samples seen so far, which is the row of the next one."""
        self.gaps: list[tuple[int, int, bytes, int]] = []
        self.lost_messages: list[tuple[int, int, int]] = []
        self._next: int | None = None  # counter of the sample that should come next
        self._sequence: int | None = None  # of the frame that should come next
        self._unexplained = 0  # frames missing since the last samples
        self._clock_us = 0
        self._boot = ""
        self._restarted = False
        self._usual_count = 0  # samples in a frame

    def message(self, frame: Frames) -> None:
        """Note a frame without samples."""
        sequence = int(frame.headers["sequence"][0])
        step = (sequence - (sequence if self._sequence is None else self._sequence)) % SEQUENCES
        fell = step >= SEQUENCES // 2
        self._restarted |= fell and bool(self.rows)
        self._unexplained = 0 if fell else self._unexplained + step
        self._sequence = (sequence + 1) % SEQUENCES

    def hello(self, hello: Hello, next_sample: int) -> None:
        """Note what a hello says: whether the box started anew, and where its counter stands before any samples."""
        is_new = hello.boot_id != self._boot
        if self.rows:
            self._restarted |= bool(self._boot) and is_new
        elif hello.running and (is_new or self._next is None):
            self._next = min(max(next_sample, 0), LARGEST_COUNTER)
            self._unexplained = 0
        self._boot = hello.boot_id

    def samples(self, frames: Frames) -> None:
        """Note a run of sample frames."""
        headers = frames.headers
        first = np.clip(headers["first_sample"], 0, LARGEST_COUNTER)
        counts, clock_us = headers["count"].astype(np.int64), headers["clock_us"]
        sequence = headers["sequence"].astype(np.int64)
        if self._next is None:
            self._next = int(first[0])
        if self._sequence is None:
            self._sequence = int(sequence[0])
        missing = first - _one_on(self._next, first + counts)
        lost = (sequence - _one_on(self._sequence, sequence + 1)) % SEQUENCES
        fell = lost >= SEQUENCES // 2
        lost[0] += self._unexplained
        lost[fell] = 0
        restarted = fell | (missing < 0) | (clock_us < _one_on(self._clock_us, clock_us))
        rows = self.rows + np.cumsum(counts) - counts
        restarted &= rows > 0
        restarted[0] |= self._restarted
        for k in np.flatnonzero((missing != 0) | (headers["flags"] != 0) | restarted | (lost > 0)).tolist():
            place = int(rows[k]), int(clock_us[k])
            if restarted[k]:
                self.gaps.append((place[0], UNKNOWN, BOX_RESTART, place[1]))
            else:
                self._account(place, max(int(missing[k]), 0), int(lost[k]), int(counts[k]), int(headers["flags"][k]))
        self.rows += int(counts.sum())
        self._next, self._sequence = int(first[-1] + counts[-1]), int(sequence[-1] + 1) % SEQUENCES
        self._clock_us, self._restarted, self._unexplained = int(clock_us[-1]), False, 0
        self._usual_count = int(counts[-1])

    def bye(self, samples: int, clock_us: int) -> None:
        """Note the box's own count at its bye: what it sent last and never arrived is a gap at the end."""
        missing = 0 if self._next is None else min(samples, LARGEST_COUNTER) - self._next
        if not self._restarted and (missing > 0 or self._unexplained):
            self._account((self.rows, clock_us), max(missing, 0), self._unexplained, self._usual_count, 0)
        self._unexplained = 0

    def _account(self, place: tuple[int, int], missing: int, lost: int, count: int, flags: int) -> None:
        """Put down what lies before a place (row, box clock): `missing` samples and `lost` frames, of `count` each."""
        row, clock_us = place
        if flags & Flag.RESTARTED:
            self.gaps.append((row, missing or UNKNOWN, CHIP_RESTART, clock_us))
        elif flags & Flag.LOSS_UNKNOWN:
            self.gaps.append((row, missing or UNKNOWN, OVERFLOW_AT_LEAST, clock_us))
        elif missing:
            reason = OVERFLOW if flags & Flag.OVERFLOW or missing > lost * count else LINK
            self.gaps.append((row, missing, reason, clock_us))
        messages = lost - -(-missing // count) if count else lost
        if messages > 0:
            self.lost_messages.append((row, messages, clock_us))


def _one_on(first: int, values: np.ndarray) -> np.ndarray:
    """The values one place further on, behind a first one: to each frame what the frame before says."""
    return np.concatenate(([first], values[:-1]))
