"""Finds missing samples and messages from the counters in the frames."""

import numpy as np

from towertap.wire.decoder import Frames
from towertap.wire.frames import Flag
from towertap.wire.messages import Hello

LARGEST_COUNTER = 2**60
"""Counters are clipped here, higher than any box counts, so that arithmetic on any stream stays within 64 bits."""

UNKNOWN = -1
"""Missing samples of a gap whose size is not known."""

LINK = b"link"
"""Frames were lost or damaged between box and host, enough of them to account for all missing samples."""
OVERFLOW = b"overflow"
"""The chip's FIFO overflowed, and the box counted the lost samples; the frame that said so may be missing too."""
OVERFLOW_AT_LEAST = b"overflow_at_least"
"""The chip's FIFO overflowed, and the number is a lower bound."""
CHIP_RESTART = b"chip_restart"
"""The chip or its bus was restarted; the number, if any, is a lower bound."""
BOX_RESTART = b"box_restart"
"""The box restarted, which resets its counters and clock, so the length of the gap is unknown."""

NOT_IN_FILE = b"not in the file"
"""An imported file has no samples there, or its time jumps."""

EXACT = (LINK, OVERFLOW, NOT_IN_FILE)
"""Reasons of gaps whose missing samples are counted; for the others the number is unknown or a lower bound."""

SEQUENCES = 2**32
"""A step of the sequence by half of these or more is a step back."""


class Continuity:
    """Follows the sequence number of all frames, and the sample counter, from frame to frame.

    A step of the counter beyond the last frame's count is exactly the number of missing samples (wire format, "The
    sample counter counts samples of the chip"). A jump in the sequence gives the number of missing frames; those not
    needed to account for missing samples were messages. A restarted box (another boot id, or a sequence, counter or
    clock that goes back) has new counters. Results collect in `gaps` and `lost_messages`, as rows of these tables.
    """

    def __init__(self) -> None:
        self.rows = 0
        """Samples so far, which is the row of the next one."""
        self.gaps: list[tuple[int, int, bytes, int]] = []
        self.lost_messages: list[tuple[int, int, int]] = []
        self._next: int | None = None  # counter of the next sample
        self._sequence: int | None = None  # of the next frame
        self._unexplained = 0  # frames missing since the last samples
        self._clock_us = 0
        self._boot = ""
        self._restarted = False
        self._usual_count = 0  # samples in a frame

    def message(self, frame: Frames) -> None:
        """Take a frame without samples."""
        sequence = int(frame.headers["sequence"][0])
        step = (sequence - (sequence if self._sequence is None else self._sequence)) % SEQUENCES
        is_back = step >= SEQUENCES // 2
        self._restarted |= is_back and bool(self.rows)
        self._unexplained = 0 if is_back else self._unexplained + step
        self._sequence = (sequence + 1) % SEQUENCES

    def hello(self, hello: Hello, next_sample: int) -> None:
        """Take a hello: whether the box restarted, and the value of its counter before any samples."""
        is_new = hello.boot_id != self._boot
        if self.rows:
            self._restarted |= bool(self._boot) and is_new
        elif hello.running and (is_new or self._next is None):
            self._next = min(max(next_sample, 0), LARGEST_COUNTER)
            self._unexplained = 0
        self._boot = hello.boot_id

    def samples(self, frames: Frames) -> None:
        """Take a run of sample frames."""
        headers = frames.headers
        first = np.clip(headers["first_sample"], 0, LARGEST_COUNTER)
        counts, clock_us = headers["count"].astype(np.int64), headers["clock_us"]
        sequence = headers["sequence"].astype(np.int64)
        if self._next is None:
            self._next = int(first[0])
        if self._sequence is None:
            self._sequence = int(sequence[0])
        missing = first - _shifted(self._next, first + counts)
        lost = (sequence - _shifted(self._sequence, sequence + 1)) % SEQUENCES
        is_back = lost >= SEQUENCES // 2
        lost[0] += self._unexplained
        lost[is_back] = 0
        restarted = is_back | (missing < 0) | (clock_us < _shifted(self._clock_us, clock_us))
        rows = self.rows + np.cumsum(counts) - counts
        restarted &= rows > 0
        restarted[0] |= self._restarted
        for k in np.flatnonzero((missing != 0) | (headers["flags"] != 0) | restarted | (lost > 0)).tolist():
            place = int(rows[k]), int(clock_us[k])
            if restarted[k]:
                self.gaps.append((place[0], UNKNOWN, BOX_RESTART, place[1]))
            else:
                self._record(place, max(int(missing[k]), 0), int(lost[k]), int(counts[k]), int(headers["flags"][k]))
        self.rows += int(counts.sum())
        self._next, self._sequence = int(first[-1] + counts[-1]), int(sequence[-1] + 1) % SEQUENCES
        self._clock_us, self._restarted, self._unexplained = int(clock_us[-1]), False, 0
        self._usual_count = int(counts[-1])

    def bye(self, samples: int, clock_us: int) -> None:
        """Take the box's sample count in its bye: samples that never arrived are a gap at the end."""
        missing = 0 if self._next is None else min(samples, LARGEST_COUNTER) - self._next
        if not self._restarted and (missing > 0 or self._unexplained):
            self._record((self.rows, clock_us), max(missing, 0), self._unexplained, self._usual_count, 0)
        self._unexplained = 0

    def _record(self, place: tuple[int, int], missing: int, lost: int, count: int, flags: int) -> None:
        """Record `missing` samples and `lost` frames of `count` samples each before a place (row, box clock)."""
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


def _shifted(first: int, values: np.ndarray) -> np.ndarray:
    """The values shifted by one, with `first` in front: for each frame, the value from the frame before."""
    return np.concatenate(([first], values[:-1]))
