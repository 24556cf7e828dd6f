"""Live values of a recording in progress, for the screen and the recorder: samples, losses, rate, peaks, messages."""

from collections import Counter

import numpy as np

from towertap.wire.decoder import Frames
from towertap.wire.frames import FrameType
from towertap.wire.layouts import Layout
from towertap.wire.messages import MESSAGES, Hello


class Live:
    """Takes the decoder's frames in order. The thorough check is that of the finished capture."""

    def __init__(self, hello: Hello) -> None:
        self.samples = 0
        self.missing_samples = 0
        self.messages: Counter[str] = Counter()
        """Messages received, by name."""
        self.rate_hz: float | None = None
        """Sample rate by the box's clock since the box last started; None before two frames."""
        self.peak_ms2 = np.zeros(3)
        """Largest |acceleration| of each chip axis in m/s², including gravity."""
        self._hello = hello
        self.box_started()

    @property
    def seconds(self) -> float:
        """Length so far at the nominal rate, including missing samples."""
        return (self.samples + self.missing_samples) / self._hello.odr_hz

    def box_started(self) -> None:
        """The box has started (again): its counter is 0, and the rate measurement begins again."""
        self._expected = 0
        self._first: tuple[int, int] | None = None

    def take(self, frames: Frames) -> None:
        """Take one run of frames."""
        if frames.layout:
            self._take_samples(frames, frames.layout)
        elif frames.kind in MESSAGES:
            self.messages[MESSAGES[frames.kind].name] += len(frames.headers)
        if frames.kind == FrameType.BYE:  # the last samples may be missing too
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
        newest = first + frames.headers["fifo_level"] - 1  # the last sample taken before clock_us
        pairs = list(zip(newest[[0, -1]].tolist(), frames.headers["clock_us"][[0, -1]].tolist(), strict=True))
        self._first = self._first or pairs[0]
        elapsed_us = pairs[1][1] - self._first[1]
        if elapsed_us > 0:
            self.rate_hz = (pairs[1][0] - self._first[0]) / elapsed_us * 1e6
