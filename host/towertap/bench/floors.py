"""The sensor's noise in every filtered signal: the floor below which a metric shows nothing else."""

import math
from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.channels import ACCELERATIONS, Channel, FilterDesign, MetricSettings
from towertap.signals.halving import halvings
from towertap.signals.metrics import METRICS, RMS, Metric
from towertap.signals.stream import Bank

Array = NDArray[np.float64]

SETTLINGS = 4
"""An impulse response is followed for this many settling times of its filter; the rest is below 1e-8."""

DESIGNS: dict[str, FilterDesign] = {
    name: metric.channels[0].design
    for name, metric in METRICS.items()
    if metric.statistic is RMS and len(metric.channels) == 1
}
"""The filters whose floors a record holds, each under the name of a metric that is the r.m.s. of its output."""


def recorded(blocks: Iterable[Array], settings: MetricSettings) -> dict[str, Array]:
    """R.m.s. on each chip axis (3,) of a recording at rest through each of DESIGNS that the rate carries.

    `blocks` (n, 3) are in order. AnalysisError if nothing remains after the filters have settled.
    """
    channels = {name: [Channel(axis, design) for axis in ACCELERATIONS] for name, design in DESIGNS.items()}
    # As metrics of three axes, so that the bank leaves out what the rate does not carry.
    bank = Bank.of({name: Metric(name, "", "", tuple(three)) for name, three in channels.items()}, settings)
    windows = bank.windows((block.T for block in blocks), round(settings.rate_hz))
    if not len(windows):
        raise AnalysisError("too short at rest for the filters of the metrics to settle: record half a minute or more")
    power = windows.mean_power()
    return {name: np.sqrt([power[channel] for channel in channels[name]]) for name in bank.metrics}


@lru_cache
def noise_gain(design: FilterDesign, settings: MetricSettings) -> float:
    """R.m.s. of white noise of one-sided density 1 after a filter: √(rate/2 · energy of the impulse response).

    AnalysisError if the rate does not carry the filter's band.
    """
    rate_hz, response = _impulse_response(design, settings)
    return math.sqrt(rate_hz / 2 * float(response @ response))


def tone_gain(design: FilterDesign, settings: MetricSettings, frequency_hz: float) -> float:
    """R.m.s. of a tone of r.m.s. 1 after a filter: the magnitude of its response."""
    rate_hz, response = _impulse_response(design, settings)
    turn = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(response.size))
    return abs(complex(response @ turn)) if frequency_hz < rate_hz / 2 else 0.0


@lru_cache
def _impulse_response(design: FilterDesign, settings: MetricSettings) -> tuple[float, Array]:
    """The rate at which a filter runs, Hz, and its impulse response (n,)."""
    rate_hz = settings.rate_hz / 2 ** halvings(design.carry_hz(settings), settings.rate_hz)
    made = design.make(settings, rate_hz)
    at = 2 * made.first_row + 1  # a full filter and a row at rest before it
    impulse = np.zeros(at + SETTLINGS * made.settled_row + 1)
    impulse[at] = 1.0
    response: Array = made.start()(impulse)
    return rate_hz, response
