"""Watches the host while it records: the space left on the disk, and its two clocks for a sleep."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

from towertap.box.port import HostTime

BYTES_PER_SAMPLE = 18
"""16 of the packet, a thirty-second of a frame's 40, and some for status."""

WARN_SPACE_S = 600.0
STOP_SPACE_S = 30.0
"""Stop while the disk holds this much more: the end of the file and the sidecar still need room."""

SLEEP_S = 2.0
"""The host's two clocks part by more than this only when it slept or someone set its time."""


class HostWatch:
    """Looks at the disk that holds `folder` and at the clocks whenever it is asked to."""

    def __init__(self, folder: Path, odr_hz: float) -> None:
        self.space_s = math.inf
        """Seconds of recording that the disk still holds."""
        self._folder = folder
        self._bytes_per_s = BYTES_PER_SAMPLE * odr_hz
        self._warned = False
        self._last = HostTime.now()

    @property
    def full(self) -> bool:
        """Whether to stop now, while there is room to end cleanly."""
        return self.space_s < STOP_SPACE_S

    def look(self) -> list[str]:
        """What a person has to be told since the last look, one line each."""
        news = []
        self.space_s = shutil.disk_usage(self._folder).free / self._bytes_per_s
        if self.space_s < WARN_SPACE_S and not self._warned:
            self._warned = True
            news.append(f"the disk holds only {self.space_s / 60:.1f} more minutes of recording")
        now, last = HostTime.now(), self._last
        self._last = now
        jump_s = (now.unix_s - last.unix_s) - (now.monotonic_s - last.monotonic_s)
        if abs(jump_s) > SLEEP_S:
            news.append(f"the computer slept or its clock was set: its time jumped by {jump_s:.0f} s")
        return news
