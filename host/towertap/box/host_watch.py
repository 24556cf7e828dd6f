"""Watches the host while it records: the space left on the disk, and its two clocks for a sleep."""

import math
import shutil
from pathlib import Path

from towertap.box.port import HostTime
from towertap.capture.writing import AHEAD_BYTES, METADATA_BYTES

CAPTURE_SHARE = 0.75
"""Bytes of the capture a byte of the raw recording, where nothing can be packed: 12 of the 16 of a sample."""
CAPTURE_BYTES = AHEAD_BYTES + METADATA_BYTES + 2**20
"""What a capture of any length needs beside while it is written, its tables included."""

WARN_SPACE_S = 600.0
STOP_SPACE_S = 30.0
"""Stop while the disk holds this much more: the end of the file and the sidecar still need room."""

SLEEP_S = 2.0
"""The host's two clocks part by more than this only when it slept or someone set its time."""


class HostWatch:
    """Looks at the disk that holds `folder` and at the clocks whenever it is asked to."""

    def __init__(self, folder: Path, bytes_per_s: float) -> None:
        """`bytes_per_s`: what the box sends."""
        self.space_s = math.inf
        """Seconds of recording that the disk still holds, together with the capture that is made of it all."""
        self._folder = folder
        self._bytes_per_s = bytes_per_s
        self._warned = False
        self._last = HostTime.now()

    @property
    def full(self) -> bool:
        """Whether to stop now, while there is room to end cleanly."""
        return self.space_s < STOP_SPACE_S

    def measure(self, raw_bytes: int) -> float:
        """Measure `space_s` where the raw recording has `raw_bytes` already."""
        free = shutil.disk_usage(self._folder).free - CAPTURE_SHARE * raw_bytes - CAPTURE_BYTES
        self.space_s = max(free, 0.0) / (self._bytes_per_s * (1 + CAPTURE_SHARE))
        return self.space_s

    def look(self, raw_bytes: int) -> list[str]:
        """What a person has to be told since the last look, one line each."""
        news = []
        if self.measure(raw_bytes) < WARN_SPACE_S and not self._warned:
            self._warned = True
            news.append(f"the disk holds only {self.space_s / 60:.1f} more minutes of recording")
        now, last = HostTime.now(), self._last
        self._last = now
        jump_s = (now.unix_s - last.unix_s) - (now.monotonic_s - last.monotonic_s)
        if abs(jump_s) > SLEEP_S:
            news.append(f"the computer slept or its clock was set: its time jumped by {jump_s:.0f} s")
        return news
