"""A speed log of the invented drives, as a satellite receiver with a clock of its own would have written it."""

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np

from towertap.demo.drives import RATE_HZ, Drive, true_speed

NOISE_MS = 0.1
"""Standard deviation of a receiver's speed by Doppler shift, about what data sheets give."""
AHEAD_S = 2.4
"""Of the host's clock."""
AROUND_S = 10
"""The log stands still so long before a drive, and goes on at its last speed so long after it."""


def write_speed_log(path: Path, drives: Sequence[Drive], seconds: float) -> Path:
    """Write a CSV of time_utc and speed_kmh, a point a second, over those of the drives that have a time, in its order.

    Each lasts `seconds`.
    """
    rng = np.random.default_rng(1)
    at_s = np.arange(-AROUND_S, round(seconds) + AROUND_S)
    lines = ["time_utc,speed_kmh"]
    for began, drive in ((drive.started, drive) for drive in drives if drive.started):
        speed_ms = true_speed(drive, seconds)
        true_ms = np.interp(at_s, np.arange(speed_ms.size) / RATE_HZ, speed_ms)
        seen_kmh = 3.6 * np.abs(true_ms + NOISE_MS * rng.standard_normal(at_s.size))
        for since_s, speed_kmh in zip(at_s.tolist(), seen_kmh, strict=True):
            moment = (began + timedelta(seconds=since_s + AHEAD_S)).isoformat(timespec="milliseconds")
            lines.append(f"{moment.replace('+00:00', 'Z')},{speed_kmh:.2f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
