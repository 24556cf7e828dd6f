"""The chip's true rate against the box's clock, from frames that say which sample was the newest at which time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from towertap.capture import schema
from towertap.capture.continuity import EXACT
from towertap.capture.frame_table import frame_blocks, n_frames
from towertap.lazily import h5py
from towertap.wire.frames import UNKNOWN_TEMPERATURE
from towertap.wire.layouts import Layout

FEWEST_FRAMES = 16
BATCHES = 12
T_975 = 2.2281388519649385
"""97.5 % quantile of Student's t with BATCHES - 2 degrees of freedom."""
NORMAL_75 = 0.6744897501960817
"""75 % quantile of the standard normal. Both are literals because loading scipy takes longer than a check."""
HUBER_C = 1.345
"""Huber's tuning constant: 95 % efficiency relative to least squares on normal errors."""
ROUNDS = 20
MOST_FRAMES = 75_000
"""Limits memory: a recording longer than about ten minutes is thinned evenly to this many frames."""


@dataclass(frozen=True)
class Rate:
    """A fitted sample rate."""

    rate_hz: float
    low_hz: float
    high_hz: float
    """95 % interval."""
    jitter_us: float
    """Standard deviation of the box's clock readings about a constant rate."""


@dataclass(frozen=True)
class Drift:
    """Change of the rate from the first third of a recording to the last."""

    ppm: float
    half_ppm: float
    """Half the 95 % interval."""
    temperature_c: float | None
    """Change of the chip's temperature between the two; None if not known."""


@dataclass(frozen=True)
class Readings:
    """Counter and clock of each frame (n,)."""

    newest: np.ndarray
    """Counter of the newest sample in the chip's FIFO when the clock was read."""
    clock_us: np.ndarray
    stretch: np.ndarray
    """Number of the stretch between uncounted gaps."""
    temperature: np.ndarray
    """The chip's temperature word."""

    def part(self, indices: np.ndarray) -> Readings:
        """The readings of some frames."""
        return Readings(self.newest[indices], self.clock_us[indices], self.stretch[indices], self.temperature[indices])


def readings_of(file: h5py.File) -> Readings:
    """The readings of an open capture, read in blocks. Every gap with an uncounted length begins a stretch."""
    gaps = schema.small_table(file, "gaps")
    step = -(-n_frames(file) // MOST_FRAMES) or 1
    # copies, because a view would keep the whole block in memory
    table = np.concatenate([block[block["count"] > 0][::step].copy() for block in frame_blocks(file)])
    newest = table["first_sample"] + table["fifo_level"] - 1
    inexact = gaps["row"][~np.isin(gaps["reason"], EXACT)]
    stretch = np.searchsorted(inexact, table["row"], side="right")
    return Readings(newest, table["clock_us"], stretch, table["temperature_raw"])


def rate_of(readings: Readings) -> Rate | None:
    """Fit the rate of a recording; None if it has too few frames."""
    return fit_rate(readings.newest, readings.clock_us, readings.stretch)


def drift_of(readings: Readings, layout: Layout) -> Drift | None:
    """Compare the rates of the first and the last third; None if they have too few frames."""
    thirds = np.array_split(np.arange(len(readings.newest)), 3)
    first, last = readings.part(thirds[0]), readings.part(thirds[-1])
    before, after = rate_of(first), rate_of(last)
    if before is None or after is None:
        return None
    halves = [(rate.high_hz - rate.low_hz) / rate.rate_hz / 2 * 1e6 for rate in (before, after)]
    temperatures = [
        layout.temperature_c(part.temperature[part.temperature != UNKNOWN_TEMPERATURE]) for part in (first, last)
    ]
    is_known = all(len(values) for values in temperatures)
    return Drift(
        (after.rate_hz / before.rate_hz - 1) * 1e6,
        math.hypot(*halves),
        float(temperatures[1].mean() - temperatures[0].mean()) if is_known else None,
    )


def fit_rate(newest: np.ndarray, clock_us: np.ndarray, stretch: np.ndarray) -> Rate | None:
    """Robust fit of clock = offset of the stretch + sample / rate; None if there are too few frames.

    `newest` (n,) is the counter of the newest sample in the chip's FIFO when the clock was read, `clock_us` (n,) the
    clock in µs, `stretch` (n,) the number of the stretch between restarts: all share the rate, each has its own offset.
    A reading is late by up to one sample period, and occasionally by more, so Huber's estimate (Huber 1964), by
    reweighted least squares, limits the influence of late readings. Errors of neighbouring frames are correlated (the
    reading drifts through the sample period), so the interval comes from a jackknife over batches of neighbours.
    """
    if len(newest) < FEWEST_FRAMES:
        return None
    _, group = np.unique(stretch, return_inverse=True)
    x = _centred((newest - newest[0]).astype(float), group, np.ones(len(newest)))
    y = _centred((clock_us - clock_us[0]).astype(float), group, np.ones(len(newest)))
    if not x.any():
        return None
    weights = np.ones(len(x))
    period_us = 0.0
    for _ in range(ROUNDS):
        xw, yw = _centred(x, group, weights), _centred(y, group, weights)
        before, period_us = period_us, float(np.sum(weights * xw * yw) / np.sum(weights * xw * xw))
        residual = yw - period_us * xw
        scale = np.median(np.abs(residual)) / NORMAL_75
        if abs(period_us - before) <= 1e-10 * abs(period_us) or scale == 0:
            break
        weights = np.minimum(1.0, HUBER_C * scale / np.maximum(np.abs(residual), 1e-9))
    if not period_us > 0:
        return None
    error = _half_interval(xw, residual, group, weights)
    steps = np.diff(residual)[np.diff(group) == 0]
    jitter_us = float(steps.std() / np.sqrt(2)) if len(steps) else 0.0
    return Rate(1e6 / period_us, 1e6 / (period_us + error), 1e6 / max(period_us - error, 1e-9), jitter_us)


def _centred(values: np.ndarray, group: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Values minus the weighted mean of their group."""
    means = np.bincount(group, weights * values) / np.maximum(np.bincount(group, weights), 1e-12)
    return values - means[group]


def _half_interval(x: np.ndarray, residual: np.ndarray, group: np.ndarray, weights: np.ndarray) -> float:
    """Half the 95 % interval of the slope, by the jackknife over batches of neighbouring frames (Efron 1982)."""
    batch = np.repeat(np.arange(BATCHES), [len(part) for part in np.array_split(x, BATCHES)])
    cell, shape = group * BATCHES + batch, (group.max() + 1, BATCHES)
    sums = np.array(
        [
            np.bincount(cell, weights * values, math.prod(shape)).reshape(shape)
            for values in (np.ones(len(x)), x, residual, x * x, x * residual)
        ]
    )
    count, sum_x, sum_r, sum_xx, sum_xr = sums.sum(axis=2, keepdims=True) - sums  # each leaves out one batch
    count = np.maximum(count, 1e-12)
    information = (sum_xx - sum_x**2 / count).sum(axis=0)
    if not (information > 0).all():
        return np.inf
    slopes = (sum_xr - sum_x * sum_r / count).sum(axis=0) / information
    error = np.std(slopes) * np.sqrt(BATCHES - 1)
    return float(T_975 * error)
