"""The chip's true rate against the box's clock, from frames that say which sample was the newest at what time."""

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
"""Student's t that is exceeded 2.5 times in 100 with BATCHES − 2 degrees of freedom."""
NORMAL_75 = 0.6744897501960817
"""The median of a standard normal's magnitude; both as numbers, since scipy takes longer to load than to check."""
HUBER_C = 1.345
"""Huber's tuning constant: 95 % of the efficiency of least squares on normal errors."""
ROUNDS = 20
MOST_FRAMES = 75_000
"""Frames used of a recording longer than some ten minutes, evenly spread, so that memory is bounded."""


@dataclass(frozen=True)
class Rate:
    """A fitted rate."""

    rate_hz: float
    low_hz: float
    high_hz: float
    """95 % interval."""
    jitter_us: float
    """Scatter (one standard deviation) of the box's clock readings about an even rate."""


@dataclass(frozen=True)
class Drift:
    """How much faster the chip samples in the last third of a recording than in the first."""

    ppm: float
    half_ppm: float
    """Half the 95 % interval."""
    temperature_c: float | None
    """Change of the chip's temperature between the two; None when the frames do not tell it."""


@dataclass(frozen=True)
class Readings:
    """What each frame (n of them) says of chip and clock."""

    newest: np.ndarray
    """Counter of the newest sample in the chip's FIFO when the clock was read."""
    clock_us: np.ndarray
    stretch: np.ndarray
    """Number of the stretch between two gaps that are not counted."""
    temperature: np.ndarray
    """The chip's temperature word."""

    def part(self, places: np.ndarray) -> Readings:
        """Some of the frames."""
        return Readings(self.newest[places], self.clock_us[places], self.stretch[places], self.temperature[places])


def readings_of(file: h5py.File) -> Readings:
    """The readings of an open capture, read in blocks. A gap whose missing samples are not counted begins a stretch."""
    gaps = schema.small_table(file, "gaps")
    step = -(-n_frames(file) // MOST_FRAMES) or 1
    every_step = (block[block["count"] > 0][::step].copy() for block in frame_blocks(file))  # a view would keep all
    table = np.concatenate(list(every_step))
    newest = table["first_sample"] + table["fifo_level"] - 1
    inexact = gaps["row"][~np.isin(gaps["reason"], EXACT)]
    stretch = np.searchsorted(inexact, table["row"], side="right")
    return Readings(newest, table["clock_us"], stretch, table["temperature_raw"])


def rate_of(readings: Readings) -> Rate | None:
    """Fit the rate of a recording; None when its frames do not carry one."""
    return fit_rate(readings.newest, readings.clock_us, readings.stretch)


def drift_of(readings: Readings, layout: Layout) -> Drift | None:
    """Compare the rates of the first and the last third; None when their frames do not carry them."""
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
    """Robust fit of clock = offset of the stretch + sample / rate; None when there are too few frames.

    `newest` (n,) counter of the newest sample in the chip's FIFO when the clock was read, `clock_us` (n,) µs, `stretch`
    (n,) number of the stretch between two restarts to which the frame belongs: all share the rate, each has its own
    offset. A reading is late by up to one sample period, and now and then by more: Huber's estimate (Huber 1964) by
    reweighted least squares keeps the stragglers from pulling. Errors of neighbouring frames are correlated (the
    reading creeps through the sample period), so the interval is a jackknife over batches of neighbours.
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
    """Values less the weighted mean of their group."""
    means = np.bincount(group, weights * values) / np.maximum(np.bincount(group, weights), 1e-12)
    return values - means[group]


def _half_interval(x: np.ndarray, residual: np.ndarray, group: np.ndarray, weights: np.ndarray) -> float:
    """Half the 95 % interval of the slope, by the jackknife over batches of neighbouring frames (Efron 1982)."""
    batch = np.repeat(np.arange(BATCHES), [len(part) for part in np.array_split(x, BATCHES)])
    place, shape = group * BATCHES + batch, (group.max() + 1, BATCHES)
    sums = np.array(
        [
            np.bincount(place, weights * values, math.prod(shape)).reshape(shape)
            for values in (np.ones(len(x)), x, residual, x * x, x * residual)
        ]
    )
    count, of_x, of_residual, of_xx, of_both = sums.sum(axis=2, keepdims=True) - sums  # of all but a batch
    count = np.maximum(count, 1e-12)
    information = (of_xx - of_x**2 / count).sum(axis=0)
    if not (information > 0).all():
        return np.inf
    slopes = (of_both - of_x * of_residual / count).sum(axis=0) / information
    error = np.std(slopes) * np.sqrt(BATCHES - 1)
    return float(T_975 * error)
