"""What a screen shows of a recording under way, and what steers it: samples, losses, rate, peaks, messages."""

from collections import Counter

import numpy as np

from towertap.wire.decoder import Frames
from towertap.wire.frames import FrameType
from towertap.wire.layouts import Layout
from towertap.wire.messages import MESSAGES, Hello


class Live:
    """Fed with the decoder's frames in order; the finished capture's integrity check is the thorough one."""

    def __init__(self, hello: Hello) -> None:
        self.samples = 0
        self.missing_samples = 0
        self.messages: Counter[str] = Counter()
        """How many of each kind of message came, by its name."""
        self.rate_hz: float | None = None
        """Samples a second of the box's clock since the box last started; None before two frames."""
        self.peak_ms2 = np.zeros(3)
        """Largest |acceleration| of each chip axis, gravity included (m/s²)."""
        self._hello = hello
        self.box_started()

    @property
    def seconds(self) -> float:
        """Length so far by the sample counter at the nominal rate, missing samples included."""
        return (self.samples + self.missing_samples) / self._hello.odr_hz

    def box_started(self) -> None:
        """The box starts (again): its counter begins at 0, and the rate is measured anew."""
        self._expected = 0
        self._first: tuple[int, int] | None = None

    def take(self, frames: Frames) -> None:
        """Count one run of frames."""
        if frames.layout:
            self._take_samples(frames, frames.layout)
        elif frames.kind in MESSAGES:
            self.messages[MESSAGES[frames.kind].name] += len(frames.headers)
        if frames.kind == FrameType.BYE:  # what the box sent last may be missing too
            self.missing_samples += max(int(frames.headers["first_sample"][-1]) - self._expected, 0)

    def _take_samples(self, frames: Frames, layout: Layout) -> None:
        first, count = frames.headers["first_sample"], frames.headers["count"].astype(np.int64)
        ends = first + count
        steps = first - np.concatenate(([self._expected], ends[:-1]))
        self.missing_samples += int(steps[steps > 0].sum())
        self.samples += int(count.sum())
        self._expected = int(ends[-1])
        acceleration = layout.quantities["acceleration"]
        counts = frames.counts()["acceleration"].astype(np.int32)
        counts[counts == acceleration.no_reading] = 0
        peak = np.abs(counts).max(axis=0, initial=0) * acceleration.scale(self._hello.accel_range_g)
        self.peak_ms2 = np.maximum(self.peak_ms2, peak)
        newest = first + frames.headers["fifo_level"] - 1  # was made before clock_us, the next one was not
        pairs = list(zip(newest[[0, -1]].tolist(), frames.headers["clock_us"][[0, -1]].tolist(), strict=True))
        self._first = self._first or pairs[0]
        elapsed_us = pairs[1][1] - self._first[1]
        if elapsed_us > 0:
            self.rate_hz = (pairs[1][0] - self._first[0]) / elapsed_us * 1e6
