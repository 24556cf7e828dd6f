"""What the sensor's noise alone makes of every filtered signal: the floor below which a metric shows nothing else."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from towertap.bench.density import Rows
from towertap.errors import AnalysisError
from towertap.signals.channels import ACCELERATIONS, Channel, FilterDesign, MetricSettings
from towertap.signals.halving import halvings
from towertap.signals.metrics import METRICS, RMS, Metric
from towertap.signals.stream import Bank

Array = NDArray[np.float64]

LONGEST_S = 600.0
"""Ten minutes tell a floor within a percent; the rest of a longer recording would only take time."""

BLOCK_ROWS = 65536
SETTLINGS = 4
"""An impulse response is followed for so many settling times of its filter: what is left is below 1e-8."""

DESIGNS: dict[str, FilterDesign] = {
    name: metric.channels[0].design
    for name, metric in METRICS.items()
    if metric.statistic is RMS and len(metric.channels) == 1
}
"""The filters whose floors a record holds, each under the name of a metric that is the r.m.s. of its output."""


def recorded(rows: Rows, n_rows: int, settings: MetricSettings) -> dict[str, Array]:
    """R.m.s. of a recording at rest through each of DESIGNS that the rate carries, for each chip axis (3,).

    AnalysisError when the recording is too short for the filters to settle and a second more.
    """
    channels = {name: [Channel(axis, design) for axis in ACCELERATIONS] for name, design in DESIGNS.items()}
    # What the rate does not carry is left out with all three axes.
    bank = Bank.of({name: Metric(name, "", "", tuple(three)) for name, three in channels.items()}, settings)
    n_rows, window_rows = min(n_rows, round(LONGEST_S * settings.rate_hz)), round(settings.rate_hz)
    if n_rows < bank.settled_row + window_rows:
        raise AnalysisError("too short at rest for the filters of the metrics to settle: record half a minute or more")
    blocks = (rows(start, min(start + BLOCK_ROWS, n_rows)).T for start in range(0, n_rows, BLOCK_ROWS))
    power = bank.windows(blocks, window_rows).mean_power()
    return {name: np.sqrt([power[channel] for channel in channels[name]]) for name in bank.metrics}


@lru_cache
def noise_gain(design: FilterDesign, settings: MetricSettings) -> float:
    """R.m.s. that a filter makes of white noise of one-sided density 1: root of rate/2 times its energy.

    AnalysisError when the rate does not carry its band.
    """
    rate_hz = settings.rate_hz / 2 ** halvings(design.carry_hz(settings), settings.rate_hz)
    made = design.make(settings, rate_hz)
    at = 2 * made.first_row + 1  # a full filter and a row at rest before it
    impulse = np.zeros(at + SETTLINGS * made.settled_row + 1)
    impulse[at] = 1.0
    response = made.start()(impulse)
    return math.sqrt(rate_hz / 2 * float(response @ response))
