"""A speed log of the invented drives, as written by a satellite receiver with its own clock."""

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np

from towertap.demo.drives import RATE_HZ, Drive, true_speed

NOISE_MS = 0.1
"""Standard deviation of a receiver's Doppler speed, about what data sheets give."""
AHEAD_S = 2.4
"""How far the log's clock is ahead of the host's."""
AROUND_S = 10
"""Length of the log before and after a drive, at its first and last speed."""


def write_speed_log(path: Path, drives: Sequence[Drive], seconds: float) -> Path:
    """Write a CSV of time_utc and speed_kmh, one point per second, for every drive with a time, each of `seconds`."""
    rng = np.random.default_rng(1)
    at_s = np.arange(-AROUND_S, round(seconds) + AROUND_S)
    lines = ["time_utc,speed_kmh"]
    for drive in drives:
        if not drive.started:
            continue
        speed_ms = true_speed(drive, seconds)
        logged_ms = np.interp(at_s, np.arange(speed_ms.size) / RATE_HZ, speed_ms)
        logged_kmh = 3.6 * np.abs(logged_ms + NOISE_MS * rng.standard_normal(at_s.size))
        for since_s, speed_kmh in zip(at_s.tolist(), logged_kmh, strict=True):
            moment = (drive.started + timedelta(seconds=since_s + AHEAD_S)).isoformat(timespec="milliseconds")
            lines.append(f"{moment.replace('+00:00', 'Z')},{speed_kmh:.2f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
