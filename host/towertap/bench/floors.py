"""What the sensor's noise alone makes of every metric: the floor below which a metric shows nothing else."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from towertap.bench.density import Rows
from towertap.errors import AnalysisError
from towertap.signals.filters import Filter
from towertap.signals.metrics import METRICS, THIRDS, Metric, Settings
from towertap.signals.metrics._metric import rms
from towertap.signals.stream import Channel, piece_windows, settled_row

Array = NDArray[np.float64]

LONGEST_S = 600.0
"""Ten minutes tell a floor within a percent; the rest of a longer recording would only take time."""

BLOCK_ROWS = 65536
SETTLINGS = 4
"""An impulse response is followed for so many settling times of its filter: what is left is below 1e-8."""

POWER_METRICS: dict[str, Metric] = {name: metric for name, metric in METRICS.items() if metric.figure is rms}
"""The metrics that are an r.m.s., so that a share of their power has a meaning."""


def power_metric(name: str) -> Metric:
    """The r.m.s. metric of the same filtered signal: `weighted_z` for `vdv_z`, itself for an r.m.s. or third-octave."""
    if name in THIRDS:
        return THIRDS[name]
    metric = METRICS[name]
    same = (metric.axis, metric.make_filter, metric.band_hz)
    return next(one for one in POWER_METRICS.values() if (one.axis, one.make_filter, one.band_hz) == same)


def recorded(rows: Rows, n_rows: int, settings: Settings) -> dict[str, Array]:
    """Each r.m.s. metric of a recording at rest, for each chip axis (3,), in its unit; those that the rate carries.

    AnalysisError when the recording is too short for the filters to settle and a second more.
    """
    filters = _filters(settings)
    channels = {key: [Channel(axis, made) for axis in range(3)] for key, made in filters.items()}
    flat = [channel for three in channels.values() for channel in three]
    n_rows = min(n_rows, round(LONGEST_S * settings.rate_hz))
    window = round(settings.rate_hz)
    if n_rows < settled_row(flat) + window:
        raise AnalysisError("too short at rest for the filters of the metrics to settle: record half a minute or more")
    blocks = (rows(start, min(start + BLOCK_ROWS, n_rows)).T for start in range(0, n_rows, BLOCK_ROWS))
    found = iter(piece_windows(blocks, flat, settings.rate_hz, window))
    by_filter = {key: np.array([np.sqrt(next(found).whole().mean_square[0]) for _ in range(3)]) for key in channels}
    return {name: by_filter[_key(POWER_METRICS[name], settings)] for name in carried(settings)}


def white(density: ArrayLike, settings: Settings, metrics: Mapping[str, Metric] = POWER_METRICS) -> dict[str, Array]:
    """The same of white noise with a one-sided `density` (3,) in m/s²/√Hz, in any r.m.s. metrics."""
    gains = {key: noise_gain(made, settings.rate_hz) for key, made in _filters(settings, metrics).items()}
    density = np.asarray(density, float)
    keys = {name: _key(metric, settings) for name, metric in metrics.items()}
    return {name: density * gains[key] for name, key in keys.items() if key in gains}


def noise_gain(made: Filter, rate_hz: float) -> float:
    """R.m.s. that a filter makes of white noise of one-sided density 1: root of rate/2 times its energy."""
    at = 2 * made.first_row + 1  # a full filter and a row at rest before it
    impulse = np.zeros(at + SETTLINGS * made.settled_row + 1)
    impulse[at] = 1.0
    response = made.start()(impulse)
    return math.sqrt(rate_hz / 2 * float(response @ response))


def carried(settings: Settings) -> list[str]:
    """The r.m.s. metrics that the rate carries."""
    made = _filters(settings)
    return [name for name, metric in POWER_METRICS.items() if _key(metric, settings) in made]


def _filters(settings: Settings, metrics: Mapping[str, Metric] = POWER_METRICS) -> dict[tuple, Filter]:
    made: dict[tuple, Filter] = {}
    for metric in metrics.values():
        try:
            made[_key(metric, settings)] = metric.make_filter(metric.band_hz(settings), settings.rate_hz)
        except AnalysisError:  # a band that the rate cannot carry has no floor either
            continue
    return made


def _key(metric: Metric, settings: Settings) -> tuple:
    return metric.make_filter, metric.band_hz(settings)
