"""Finds where samples are missing, and how many, from the counters of the frames themselves."""

from __future__ import annotations

import numpy as np

from towertap.capture.schema import GAP
from towertap.wire.decoder import Frames
from towertap.wire.frames import Flag
from towertap.wire.messages import Hello

LARGEST_COUNTER = 2**60
"""No box counts so far; it keeps the arithmetic within 64 bits whatever a stream claims."""

UNKNOWN = -1
"""Missing samples of a gap across which nothing counted."""

LINK = b"link"
"""Frames lost or damaged between box and host."""
OVERFLOW = b"overflow"
"""The chip's FIFO overflowed and the box knows how many samples it lost."""
OVERFLOW_AT_LEAST = b"overflow_at_least"
"""The chip's FIFO overflowed and the number is a lower bound."""
CHIP_RESTART = b"chip_restart"
"""The chip or its bus was restarted; the number, if any, is a lower bound."""
BOX_RESTART = b"box_restart"
"""The box started anew, and its counters and clock with it: nobody knows how long it was away."""

EXACT = (LINK, OVERFLOW)
"""Gaps whose missing samples are counted; of the others the number is unknown or a lower bound."""


class Continuity:
    """Follows the sample counter from frame to frame.

    A counter's step larger than the last frame's count is exactly what is missing (wire format, "The sample counter
    counts samples of the chip"). A box that started anew (another boot id, or counter or clock gone back) begins a
    counter of its own.
    """

    def __init__(self) -> None:
        self.rows = 0
        """Samples seen so far, which is the row of the next one."""
        self._next: int | None = None  # counter of the sample that should come next
        self._clock_us = 0
        self._boot = ""
        self._restarted = False

    def hello(self, hello: Hello, next_sample: int) -> None:
        """Note a hello frame: it tells a box that started anew, and where its counter stands."""
        if self.rows:
            self._restarted |= self._boot not in ("", hello.boot_id)
        elif hello.running:
            self._next = min(max(next_sample, 0), LARGEST_COUNTER)
        self._boot = hello.boot_id

    def samples(self, frames: Frames) -> np.ndarray:
        """Note a run of sample frames; gaps before or between them, in the type of the capture's table."""
        headers = frames.headers
        first = np.clip(headers["first_sample"], 0, LARGEST_COUNTER)
        counts, clock_us = headers["count"].astype(np.int64), headers["clock_us"]
        expected = np.concatenate(([first[0] if self._next is None else self._next], first[:-1] + counts[:-1]))
        went_back = np.diff(clock_us, prepend=self._clock_us) < 0
        rows = self.rows + np.cumsum(counts) - counts
        suspects = np.flatnonzero((first != expected) | (headers["flags"] != 0) | went_back)
        if self._restarted:
            suspects = np.union1d(suspects, [0])
        gaps = []
        for k in suspects.tolist():
            restarted = (k == 0 and self._restarted) or (went_back[k] and rows[k] > 0)
            gap = _gap(int(first[k]) - int(expected[k]), int(headers["flags"][k]), restarted=restarted)
            if gap is not None:
                gaps.append((int(rows[k]), *gap, int(clock_us[k])))
        self.rows += int(counts.sum())
        self._next, self._clock_us, self._restarted = int(first[-1] + counts[-1]), int(clock_us[-1]), False
        return np.array(gaps, GAP)

    def bye(self, samples: int, clock_us: int) -> np.ndarray:
        """Note the box's own count at its bye: what it sent last and never arrived is a gap at the end."""
        missing = 0 if self._next is None or self._restarted else min(samples, LARGEST_COUNTER) - self._next
        return np.array([(self.rows, missing, LINK, clock_us)] if missing > 0 else [], GAP)


def _gap(step: int, flags: int, *, restarted: bool) -> tuple[int, bytes] | None:
    """(missing, reason) of what lies between two frames; None when they follow each other."""
    if restarted or step < 0:
        return UNKNOWN, BOX_RESTART
    if flags & Flag.RESTARTED:
        return step or UNKNOWN, CHIP_RESTART
    if flags & Flag.LOSS_UNKNOWN:
        return step or UNKNOWN, OVERFLOW_AT_LEAST
    if step == 0:
        return None
    return step, OVERFLOW if flags & Flag.OVERFLOW else LINK
