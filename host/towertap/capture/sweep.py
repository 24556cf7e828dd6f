"""One pass over all counts of a capture: what each axis did in each second."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from towertap.capture.reading import Capture

BLOCK_ROWS = 65536
MOST_WINDOWS = 100_000
"""A day of seconds; of more, each is longer."""


@dataclass(frozen=True)
class Sweep:
    """Per second (m of them) and axis (n, in the order of `Capture.axes`), in counts."""

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
    invalid_samples: int
    """Samples with any axis without a valid reading."""


def sweep(capture: Capture) -> Sweep:
    """Read every count once, in blocks of seconds; a last part shorter than half a second only counts for clipping."""
    rows = max(1, min(round(capture.odr_hz), capture.n_samples), -(-capture.n_samples // MOST_WINDOWS))
    quantities = capture.layout.quantities
    no_reading = np.repeat([quantity.no_reading for quantity in quantities.values()], 3)[:, None]
    per_window: list[tuple[np.ndarray, ...]] = []
    clipped, clipped_samples, invalid_samples = np.zeros(3 * len(quantities), np.int64), 0, 0
    step = max(1, BLOCK_ROWS // rows) * rows
    for start in range(0, capture.n_samples, step):
        stop = min(start + step, capture.n_samples)
        of_quantities = [capture.counts(name, start, stop) for name in quantities]
        counts = np.empty((len(no_reading), stop - start), np.result_type(*of_quantities))
        for k, values in enumerate(of_quantities):  # an axis a row: its samples lie side by side
            counts[3 * k : 3 * k + 3] = values.T
        if np.any(counts.max(axis=1) >= -no_reading[:, 0] - 1) or np.any(counts.min(axis=1) <= no_reading[:, 0] + 1):
            invalid = counts <= no_reading
            ends = (counts >= -no_reading - 1) | ((counts <= no_reading + 1) & ~invalid)
            clipped += ends.sum(axis=1)
            clipped_samples += int(ends.any(axis=0).sum())
            invalid_samples += int(invalid.any(axis=0).sum())
        whole = (stop - start) // rows * rows
        if whole:
            per_window.append(_statistics(counts[:, :whole].reshape(len(counts), -1, rows)))
        if stop - start - whole >= rows / 2:
            per_window.append(_statistics(counts[:, None, whole:]))
    lowest, highest, mean, spread = (np.concatenate(parts) for parts in zip(*per_window, strict=True))
    return Sweep(rows, lowest, highest, mean, spread, clipped, clipped_samples, invalid_samples)


def _statistics(windows: np.ndarray) -> tuple[np.ndarray, ...]:
    """Lowest, highest, mean and standard deviation (windows, axes) of counts (axes, windows, rows)."""
    values = windows.astype(np.float32)
    mean = values.mean(axis=2)
    values -= mean[:, :, None]
    spread = np.sqrt(np.einsum("awr,awr->aw", values, values) / windows.shape[2])
    return windows.min(axis=2).T, windows.max(axis=2).T, mean.T, spread.T
