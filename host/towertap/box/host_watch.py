"""Watches the host during a recording: free disk space, and clock jumps that show that it slept."""

import math
import shutil
from pathlib import Path

from towertap.box.port import HostTime
from towertap.capture.writing import AHEAD_BYTES, METADATA_BYTES

CAPTURE_SHARE = 0.75
"""Bytes of capture per byte of raw recording without any compression: 12 of the 16 bytes of a sample."""
CAPTURE_BYTES = AHEAD_BYTES + METADATA_BYTES + 2**20
"""What a capture of any length needs in addition while it is written, including its tables."""

WARN_SPACE_S = 600.0
STOP_SPACE_S = 30.0
"""Stop with this much space left, for the end of the file and the sidecar."""

SLEEP_S = 2.0
"""The host's two clocks diverge by more than this only if it slept or its time was set."""


class HostWatch:
    """Checks the disk of `folder` and the clocks on request."""

    def __init__(self, folder: Path, bytes_per_s: float) -> None:
        """`bytes_per_s` is the box's data rate."""
        self.space_s = math.inf
        """Seconds of recording, with the resulting capture, that fit on the disk."""
        self._folder = folder
        self._bytes_per_s = bytes_per_s
        self._warned = False
        self._last = HostTime.now()

    @property
    def full(self) -> bool:
        """Whether to stop now, while there is space to end cleanly."""
        return self.space_s < STOP_SPACE_S

    def measure(self, raw_bytes: int) -> float:
        """Measure `space_s` when the raw recording has `raw_bytes`."""
        free = shutil.disk_usage(self._folder).free - CAPTURE_SHARE * raw_bytes - CAPTURE_BYTES
        self.space_s = max(free, 0.0) / (self._bytes_per_s * (1 + CAPTURE_SHARE))
        return self.space_s

    def look(self, raw_bytes: int) -> list[str]:
        """Warnings since the last call, one line each."""
        news = []
        if self.measure(raw_bytes) < WARN_SPACE_S and not self._warned:
            self._warned = True
            news.append(f"the disk has space for only {self.space_s / 60:.1f} more minutes of recording")
        now, last = HostTime.now(), self._last
        self._last = now
        jump_s = (now.unix_s - last.unix_s) - (now.monotonic_s - last.monotonic_s)
        if abs(jump_s) > SLEEP_S:
            news.append(f"the computer slept or its clock was set: its time jumped by {jump_s:.0f} s")
        return news
