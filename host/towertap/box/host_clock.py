"""Pairs the box's clock with the host's as frames arrive, so that a recording can be dated."""

from collections import deque

from towertap.box.port import HostTime
from towertap.capture.conditions import ClockReading
from towertap.wire.decoder import Frames
from towertap.wire.frames import OVERHEAD

MOST_READINGS = 1000
"""When there are more, every second one is dropped and new ones come half as often."""


class ClockLog:
    """Readings that bound the box's clock in the host's time.

    A greeting bounds it on both sides (`SerialBox.read_clock`). A frame's clock was read at an unknown time before its
    last byte arrived, which is a one-sided bound. The arrival with the least delay is kept for each interval, at first
    1 s.
    """

    def __init__(self) -> None:
        self.readings: list[ClockReading] = []
        self._interval_ns = 10**9
        self._best: tuple[int, int, str] | None = None
        """Arrival (monotonic ns), clock_us and boot_id with the least delay in the current interval."""

    def take(self, frames: Frames, arrivals: deque[tuple[int, int]], boot_id: str) -> None:
        """Pair each frame with the arrival of the chunk that completed it; removes used `arrivals`."""
        ends = frames.offsets + frames.payloads.shape[1] + OVERHEAD
        for end, clock_us in zip(ends.tolist(), frames.headers["clock_us"].tolist(), strict=True):
            while arrivals and arrivals[0][0] < end:
                arrivals.popleft()
            if arrivals:
                self._pair(arrivals[0][1], clock_us, boot_id)

    def _pair(self, arrival_ns: int, clock_us: int, boot_id: str) -> None:
        best = self._best
        if best and (arrival_ns // self._interval_ns != best[0] // self._interval_ns or boot_id != best[2]):
            self.close_interval()
            best = None
        if best is None or arrival_ns - clock_us * 1000 < best[0] - best[1] * 1000:
            self._best = (arrival_ns, clock_us, boot_id)

    def close_interval(self) -> None:
        """Keep the best reading of the current interval."""
        if self._best is None:
            return
        arrival_ns, clock_us, boot_id = self._best
        self._best = None
        now = HostTime.now()
        received_unix_s = now.unix_s - now.monotonic_s + arrival_ns / 1e9
        self.readings.append(ClockReading(boot_id, clock_us, None, received_unix_s, arrival_ns / 1e9))
        if len(self.readings) > MOST_READINGS:
            del self.readings[1::2]
            self._interval_ns *= 2
