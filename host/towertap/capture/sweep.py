"""Reads all counts of a capture once, and gives statistics of each axis for each second."""

import math
from dataclasses import dataclass

import numpy as np

from towertap.capture.reading import Capture

BLOCK_ROWS = 65536
MOST_WINDOWS = 100_000
"""About a day of seconds; the windows of a longer capture are longer than a second."""

REST_ACCELERATION_MS2 = 0.15
"""Largest standard deviation of an axis over a second at rest: above the chip's noise, below a rolling vehicle's."""
REST_ROTATION_RADS = math.radians(1.0)
"""Same for the rotation rate."""
REST_TURNING_RADS = math.radians(3.0)
"""Largest mean rotation rate at rest, which allows for the gyroscope's zero offset."""


@dataclass(frozen=True)
class Sweep:
    """Statistics in counts, (m, n): m seconds, n axes in the order of `Capture.axes`."""

    window_rows: int
    lowest: np.ndarray
    highest: np.ndarray
    mean: np.ndarray
    spread: np.ndarray
    """Standard deviation."""
    clipped: np.ndarray
    """(n,) samples at the end of the range."""
    clipped_samples: int
    """Samples with any axis at the end of its range."""
    clipped_rows: np.ndarray
    """Rows of the samples with acceleration at the end of its range."""
    invalid_samples: int
    """Samples with any axis without a valid reading."""
    scales: np.ndarray
    """(n,) m/s² or rad/s per count."""

    @property
    def at_rest(self) -> np.ndarray:
        """Whether the box neither shook nor turned in each second (m,)."""
        spread, turning = self.spread * self.scales, np.abs(self.mean[:, 3:]) * self.scales[3:]
        is_still: np.ndarray = np.all(spread[:, :3] < REST_ACCELERATION_MS2, axis=1)
        is_still &= np.all(spread[:, 3:] < REST_ROTATION_RADS, axis=1)
        is_still &= np.all(turning < REST_TURNING_RADS, axis=1)
        return is_still

    def gravity_at_rest(self) -> np.ndarray | None:
        """Median of the mean specific force over the seconds at rest, (3,), m/s², chip axes; None if there are none."""
        is_still = self.at_rest
        return np.median(self.mean[is_still, :3], axis=0) * self.scales[:3] if is_still.any() else None

    def mean_force(self) -> np.ndarray:
        """Mean specific force (3,) over all seconds, m/s², chip axes."""
        return self.mean[:, :3].mean(axis=0) * self.scales[:3]


def sweep(capture: Capture, seconds: float = math.inf) -> Sweep:
    """Read every count of the first `seconds` once, in blocks.

    A remainder shorter than half a second is only checked for clipping.
    """
    end = int(min(capture.n_samples, max(1.0, seconds * capture.odr_hz)))
    rows = max(1, min(round(capture.odr_hz), end), -(-end // MOST_WINDOWS))
    quantities = capture.layout.quantities
    no_reading = np.repeat([quantity.no_reading for quantity in quantities.values()], 3)[:, None]
    per_window: list[tuple[np.ndarray, ...]] = []
    clipped, clipped_samples, invalid_samples = np.zeros(3 * len(quantities), np.int64), 0, 0
    clipped_rows = [np.empty(0, np.int64)]
    step = max(1, BLOCK_ROWS // rows) * rows
    for start in range(0, end, step):
        stop = min(start + step, end)
        blocks = [capture.counts(name, start, stop) for name in quantities]
        counts = np.empty((len(no_reading), stop - start), np.result_type(*blocks))
        for k, block in enumerate(blocks):  # one row per axis, so that its samples are contiguous
            counts[3 * k : 3 * k + 3] = block.T
        if np.any(counts.max(axis=1) >= -no_reading[:, 0] - 1) or np.any(counts.min(axis=1) <= no_reading[:, 0] + 1):
            invalid = counts <= no_reading
            ends = (counts >= -no_reading - 1) | ((counts <= no_reading + 1) & ~invalid)
            clipped += ends.sum(axis=1)
            clipped_samples += int(ends.any(axis=0).sum())
            clipped_rows.append(start + np.flatnonzero(ends[:3].any(axis=0)))
            invalid_samples += int(invalid.any(axis=0).sum())
        full = (stop - start) // rows * rows
        if full:
            per_window.append(_statistics(counts[:, :full].reshape(len(counts), -1, rows)))
        if stop - start - full >= rows / 2:
            per_window.append(_statistics(counts[:, None, full:]))
    lowest, highest, mean, spread = (np.concatenate(parts) for parts in zip(*per_window, strict=True))
    at_ends = clipped, clipped_samples, np.concatenate(clipped_rows), invalid_samples
    return Sweep(rows, lowest, highest, mean, spread, *at_ends, capture.axis_scales)


def _statistics(windows: np.ndarray) -> tuple[np.ndarray, ...]:
    """Lowest, highest, mean and standard deviation (windows, axes) of counts (axes, windows, rows)."""
    values = windows.astype(np.float32)
    mean = values.mean(axis=2)
    values -= mean[:, :, None]
    spread = np.sqrt(np.einsum("awr,awr->aw", values, values) / windows.shape[2])
    return windows.min(axis=2).T, windows.max(axis=2).T, mean.T, spread.T
