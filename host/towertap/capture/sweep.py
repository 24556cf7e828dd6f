"""One pass over all counts of a capture: what each axis did in each second."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from towertap.capture.reading import Capture
from towertap.wire.layouts import NO_READING

AXES = ("acceleration x", "acceleration y", "acceleration z", "rotation x", "rotation y", "rotation z")
HIGHEST, LOWEST = 32767, -32767
"""Counts at which an axis is at the end of its range; below LOWEST is NO_READING."""
WINDOWS_A_BLOCK = 16


@dataclass(frozen=True)
class Sweep:
    """Per second (m of them) and axis (6, as AXES), in counts."""

    window_rows: int
    lowest: np.ndarray
    highest: np.ndarray
    mean: np.ndarray
    spread: np.ndarray
    """Standard deviation."""
    clipped: np.ndarray
    """(6,) samples at the end of the range."""
    clipped_samples: int
    """Samples with any axis at the end of its range."""
    invalid_samples: int
    """Samples with any axis without a valid reading."""


def sweep(capture: Capture) -> Sweep:
    """Read every count once, in blocks of seconds; a last part shorter than half a second only counts for clipping."""
    rows = max(1, min(round(capture.odr_hz), capture.n_samples))
    per_window: list[tuple[np.ndarray, ...]] = []
    clipped, clipped_samples, invalid_samples = np.zeros(6, np.int64), 0, 0
    for start in range(0, capture.n_samples, WINDOWS_A_BLOCK * rows):
        stop = min(start + WINDOWS_A_BLOCK * rows, capture.n_samples)
        counts = np.empty((6, stop - start), np.int16)  # an axis a row: its samples lie side by side
        counts[:3], counts[3:] = (capture.counts(name, start, stop).T for name in ("acceleration", "rotation"))
        if counts.max() >= HIGHEST or counts.min() <= LOWEST:
            invalid = counts == NO_READING
            ends = (counts >= HIGHEST) | ((counts <= LOWEST) & ~invalid)
            clipped += ends.sum(axis=1)
            clipped_samples += int(ends.any(axis=0).sum())
            invalid_samples += int(invalid.any(axis=0).sum())
        whole = (stop - start) // rows * rows
        if whole:
            per_window.append(_statistics(counts[:, :whole].reshape(6, -1, rows)))
        if stop - start - whole >= rows / 2:
            per_window.append(_statistics(counts[:, None, whole:]))
    lowest, highest, mean, spread = (np.concatenate(parts) for parts in zip(*per_window, strict=True))
    return Sweep(rows, lowest, highest, mean, spread, clipped, clipped_samples, invalid_samples)


def _statistics(windows: np.ndarray) -> tuple[np.ndarray, ...]:
    """Lowest, highest, mean and standard deviation (windows, 6) of counts (6, windows, rows)."""
    values = windows.astype(np.float32)
    mean = values.mean(axis=2)
    values -= mean[:, :, None]
    spread = np.sqrt(np.einsum("awr,awr->aw", values, values) / windows.shape[2])
    return windows.min(axis=2).T, windows.max(axis=2).T, mean.T, spread.T
