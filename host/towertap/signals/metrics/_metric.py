"""What a metric is: an axis, a filter and a figure of the filtered signal's windows, with its names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from towertap.signals.filters import Array, Band, Filter
from towertap.signals.jerk import EDGE_HZ
from towertap.signals.stream import Windows

DIRECTIONS = {"x": "longitudinal", "y": "lateral", "z": "vertical"}
"""Vehicle axis (ISO 8855) → its word."""


@dataclass(frozen=True)
class Settings:
    """What the metrics of one analysis depend on, besides the signal."""

    rate_hz: float
    jerk_edge_hz: float = EDGE_HZ


@dataclass(frozen=True)
class Metric:
    """One figure of merit.

    `band_hz` gives the band for some settings, `make_filter` the filter for a band and a rate (it raises AnalysisError
    when the rate cannot carry it), `figure` the values (n,) of windows, or of the whole as one window. `running`: it
    asks for the windows' running r.m.s., which takes time.
    """

    name: str
    label: str
    unit: str
    axis: str
    band_hz: Callable[[Settings], Band]
    make_filter: Callable[[Band, float], Filter]
    figure: Callable[[Windows], Array]
    running: bool = False


def rms(windows: Windows) -> Array:
    """R.m.s. of windows, (n,), in the signal's unit: the figure of most metrics."""
    return np.sqrt(windows.mean_square)
