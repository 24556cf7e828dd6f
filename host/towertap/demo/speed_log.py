"""A speed log of the invented drives, as a satellite receiver with a clock of its own would have written it."""

from collections.abc import Sequence
from datetime import UTC, datetime
from operator import itemgetter
from pathlib import Path

import numpy as np

from towertap.demo.drives import RATE_HZ, Drive, true_speed

NOISE_MS = 0.1
"""Standard deviation of a receiver's speed by Doppler shift, about what data sheets give."""
AROUND_S = 10
"""The log stands still so long before a drive, and goes on at its last speed so long after it."""


def write_speed_log(
    path: Path, drives: Sequence[Drive], seconds: float, *, offset_s: float = 2.4, seed: int = 1
) -> Path:
    """Write a CSV of time_utc and speed_kmh, one point a second, over drives that have a time and last `seconds`.

    The log's clock is `offset_s` ahead of the host's.
    """
    rng = np.random.default_rng(seed)
    lines = ["time_utc,speed_kmh"]
    dated = [(drive.started.timestamp(), drive) for drive in drives if drive.started]
    for began_s, drive in sorted(dated, key=itemgetter(0)):
        speed_ms = true_speed(drive, seconds)
        at_s = np.arange(-AROUND_S, round(seconds) + AROUND_S)
        seen_ms = np.interp(at_s, np.arange(speed_ms.size) / RATE_HZ, speed_ms) + NOISE_MS * rng.standard_normal(
            at_s.size
        )
        for moment_s, speed in zip(at_s + began_s + offset_s, np.abs(seen_ms), strict=True):
            moment = datetime.fromtimestamp(float(moment_s), UTC).isoformat(timespec="milliseconds")
            lines.append(f"{moment.replace('+00:00', 'Z')},{3.6 * speed:.2f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
