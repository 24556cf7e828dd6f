"""The table of metrics. Each reduces windows of filtered signals to kept numbers, and those to values.

Gravity and slow drift need no extra step: they lie below every band (0.5 Hz, the weightings' 0.4 Hz), and a constant
has no jerk. In an analysis, the windows of all metrics cover the same stretches.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from towertap.signals.bands import BANDS, NOMINAL
from towertap.signals.channels import (
    ACCELERATIONS,
    BandPass,
    Channel,
    Derivative,
    MetricSettings,
    ThirdOctave,
    Weighted,
)
from towertap.signals.filters import Array, Band
from towertap.signals.fir import Single


@dataclass(frozen=True)
class Statistic:
    """How windows become values, in two steps, so that short windows can be joined to long ones.

    `keep(signals, window_s)` reduces windows (channels, windows, rows) of `window_s` seconds to (kept, windows).
    `value(kept, share)` makes one value of the windows on the last axis of `kept` (kept, ..., windows). `share` (...,
    windows) says how much of each window belongs to it: 1 if all, less if in part.
    """

    keep: Callable[[Array, float], Array]
    value: Callable[[Single, Array], Array]


def mean(kept: Single, share: Array) -> Array:
    """Average over windows, for mean squares."""
    return total(kept, share) / share.sum(axis=-1)


def total(kept: Single, share: Array) -> Array:
    """Sum over windows, for doses."""
    return np.einsum("...n,...n->...", kept, share)


def largest(kept: Single, share: Array) -> Array:
    """Largest window, for peaks; NaN is ignored."""
    return np.fmax.reduce(np.where(share > 0, kept, np.nan), axis=-1)


def mean_square(signals: Array, window_s: float) -> Array:
    """Mean square of the signals together, (1, windows)."""
    return np.einsum("cwr,cwr->w", signals, signals)[None] / signals.shape[2]


def peak(signals: Array, window_s: float) -> Array:
    """Largest magnitude of one signal, (1, windows)."""
    return np.fmax(np.fmax.reduce(signals[0], axis=1), -np.fmin.reduce(signals[0], axis=1))[None]


def _crest(kept: Single, share: Array) -> Array:
    with np.errstate(invalid="ignore"):  # a zero signal has no crest factor
        return largest(kept[1], share) / np.sqrt(mean(kept[0], share))


RMS = Statistic(mean_square, lambda kept, share: np.sqrt(mean(kept[0], share)))
"""Root mean square; for several signals, of their vector sum."""
LARGEST = Statistic(peak, lambda kept, share: largest(kept[0], share))
DOSE = Statistic(
    lambda signals, window_s: mean_square(np.square(signals), window_s) * window_s,
    lambda kept, share: total(kept[0], share) ** 0.25,
)
"""Fourth root of the integral of the fourth power; it grows with the time driven."""
CREST = Statistic(lambda signals, window_s: np.concatenate([mean_square(signals, 1.0), peak(signals, 1.0)]), _crest)


Rule = Literal["ratio", "difference", "count"]
"""How two sides are compared: positive levels by their ratio; values of either sign by the difference of means over
passes; counts of events, which may be zero, by the ratio of rates."""


@dataclass(frozen=True)
class Metric:
    """A value computed from windows, and the rule by which two sides are compared.

    Only metrics with the rule "ratio" can decide; the others are shown next to the answer, without a margin.
    """

    name: str
    label: str
    unit: str
    channels: tuple[Channel, ...]
    statistic: Statistic = RMS
    rule: Rule = "ratio"

    @property
    def axes(self) -> tuple[str, ...]:
        """The vehicle axes that it uses."""
        return tuple(channel.axis for channel in self.channels)

    def band_hz(self, settings: MetricSettings) -> Band:
        """Lowest and highest frequency of its channels."""
        edges = [channel.design.band_hz(settings) for channel in self.channels]
        return min(low for low, _ in edges), max(high for _, high in edges)

    def of_windows(self, kept: Single, count: int = 1) -> Array:
        """Values (n // count,) of stretches of `count` windows, from n kept ones; a remainder is dropped."""
        whole = kept.shape[1] // count
        grouped = kept[:, : whole * count].reshape(len(kept), whole, count)
        return self.statistic.value(grouped, np.ones(count))

    def of_all(self, kept: Single) -> float:
        """The value over all windows together."""
        return float(self.statistic.value(kept, np.ones(kept.shape[1])))


DIRECTIONS = {"x": "longitudinal", "y": "lateral", "z": "vertical"}
"""Vehicle axis (ISO 8855) → its word."""
WEIGHTING_OF = {"x": "Wd", "y": "Wd", "z": "Wk"}
BAND_WORDS = {
    "primary": "primary ride",
    "secondary": "secondary ride",
    "harshness": "harshness",
    "structure_borne": "structure-borne vibration",
}
ALL_CARRIED = BandPass(0.5, 500.0, gives_way=True)
WK = Channel("z", Weighted("Wk"))
WK_LABEL = "weighted vertical acceleration"
RUNNING_S = 1.0
"""Integration time of the running r.m.s. behind the maximum transient vibration value, ISO 2631-1 equation 2."""


def acceleration(axis: str) -> Metric:
    """R.m.s. of everything that the rate carries."""
    return Metric(f"acceleration_{axis}", f"{DIRECTIONS[axis]} acceleration", "m/s²", (Channel(axis, ALL_CARRIED),))


def weighted(axis: str) -> Metric:
    """Frequency-weighted r.m.s., ISO 2631-1 clause 6.1."""
    label = f"weighted {DIRECTIONS[axis]} acceleration"
    return Metric(f"weighted_{axis}", label, "m/s²", (Channel(axis, Weighted(WEIGHTING_OF[axis])),))


def jerk(axis: str) -> Metric:
    """R.m.s. of jerk: harshness is felt as jerk."""
    return Metric(f"jerk_{axis}", f"{DIRECTIONS[axis]} jerk", "m/s³", (Channel(axis, Derivative()),))


def band(name: str, axis: str) -> Metric:
    """R.m.s. in one of BANDS."""
    label = f"{DIRECTIONS[axis]} {BAND_WORDS[name]}"
    return Metric(f"{name}_{axis}", label, "m/s²", (Channel(axis, BandPass(*BANDS[name])),))


def third(nominal: str, axis: str) -> Metric:
    """R.m.s. in one third-octave, to see where in frequency a change lies."""
    label = f"{DIRECTIONS[axis]} acceleration, third-octave of {nominal} Hz"
    return Metric(f"third_{nominal}_{axis}", label, "m/s²", (Channel(axis, ThirdOctave(nominal)),))


METRICS: dict[str, Metric] = {
    metric.name: metric
    for metric in (
        *map(acceleration, ACCELERATIONS),
        *map(weighted, ACCELERATIONS),
        *map(jerk, ACCELERATIONS),
        *(band(name, "z") for name in BANDS),
        # ISO 2631-1 clauses 6.3.1, 6.3.2 and 6.2.1
        Metric("mtvv_z", f"largest running r.m.s., {WK_LABEL}", "m/s²", (replace(WK, running_s=RUNNING_S),), LARGEST),
        Metric("vdv_z", f"vibration dose, {WK_LABEL}", "m/s^1.75", (WK,), DOSE),
        Metric("crest_factor_z", f"crest factor, {WK_LABEL}", "1", (WK,), CREST),
    )
}
"""Metric name → metric, in the order of all tables."""

THIRDS: dict[str, Metric] = {metric.name: metric for metric in (third(nominal, "z") for nominal in NOMINAL)}
"""The third-octaves, in rising frequency; computed only if asked for by name."""
