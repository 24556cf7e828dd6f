"""What a metric listens to: a vehicle axis through a filter. Both are compared by value, so metrics share them."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, replace

from towertap.signals import bands, jerk, weighting
from towertap.signals.filters import CARRIED, Band, Filter, Recursive, require_rate
from towertap.signals.halving import FLAT

ACCELERATIONS = ("x", "y", "z")
ROTATIONS = ("roll", "pitch", "yaw")
AXES = (*ACCELERATIONS, *ROTATIONS)
"""Rows of a block of motion in vehicle axes: specific force in m/s², then rotation about x, y and z in rad/s."""


@dataclass(frozen=True)
class MetricSettings:
    """What the metrics of an analysis depend on besides the signal."""

    rate_hz: float
    jerk_edge_hz: float = jerk.EDGE_HZ


class FilterDesign(ABC):
    """A filter before the rate is known. Equal designs make equal filters."""

    unit = "m/s²"
    """Of the output."""
    skirt: str
    """What happens to frequencies outside the band, in words."""

    @abstractmethod
    def band_hz(self, settings: MetricSettings) -> Band:
        """The pass band."""

    @abstractmethod
    def carry_hz(self, settings: MetricSettings) -> float:
        """Frequency up to which the input must be unchanged; the filter may run at any rate that carries it."""

    @abstractmethod
    def make(self, settings: MetricSettings, rate_hz: float) -> Filter:
        """The filter at `rate_hz`; AnalysisError if the recording's rate, in the settings, cannot carry the band."""


@dataclass(frozen=True)
class BandPass(FilterDesign):
    """A band between two steep edges in Hz. One that `gives_way` ends at what the recording's rate carries."""

    low_hz: float
    high_hz: float
    gives_way: bool = False
    skirt = bands.SKIRT

    def band_hz(self, settings: MetricSettings) -> Band:
        """The two edges."""
        high_hz = min(self.high_hz, CARRIED * settings.rate_hz) if self.gives_way else self.high_hz
        return self.low_hz, high_hz

    def carry_hz(self, settings: MetricSettings) -> float:
        """An eighth beyond the upper edge, where little is left to pass."""
        return 1.125 * self.band_hz(settings)[1]

    def make(self, settings: MetricSettings, rate_hz: float) -> Filter:
        """A band-pass."""
        require_rate(self.band_hz(settings), settings.rate_hz)
        return bands.steep(self.band_hz(settings), rate_hz)


@dataclass(frozen=True)
class ThirdOctave(FilterDesign):
    """A third-octave by its nominal name."""

    nominal: str
    skirt = "class 1 of IEC 61260-1 up to a fifth of the rate"

    def band_hz(self, settings: MetricSettings) -> Band:
        """The standard's edges."""
        return bands.edges_hz(self.nominal)

    def carry_hz(self, settings: MetricSettings) -> float:
        """Keeps the filter within 0.1 % of one at a high rate; a fifth of the rate would be enough for class 1."""
        return 6.5 * FLAT * math.sqrt(math.prod(self.band_hz(settings)))

    def make(self, settings: MetricSettings, rate_hz: float) -> Filter:
        """A Butterworth band-pass."""
        require_rate(self.band_hz(settings), settings.rate_hz)
        return bands.design(self.band_hz(settings), rate_hz)


@dataclass(frozen=True)
class Weighted(FilterDesign):
    """One of the frequency weightings of `weighting.WEIGHTINGS`."""

    name: str
    skirt = "as ISO 8041-1 has it"

    def band_hz(self, settings: MetricSettings) -> Band:
        """The standard's band limits."""
        return weighting.BAND_LIMITS_HZ

    def carry_hz(self, settings: MetricSettings) -> float:
        """Beyond it a weighting passes less than 0.5 %."""
        return 2.5 * weighting.BAND_LIMITS_HZ[1]

    def make(self, settings: MetricSettings, rate_hz: float) -> Filter:
        """The weighting."""
        return Recursive(weighting.design(self.name, rate_hz))


@dataclass(frozen=True)
class Derivative(FilterDesign):
    """The derivative up to the settings' jerk edge."""

    unit = "m/s³"
    skirt = "down by 6 dB at the edge, 100 dB at 1.05 times it"

    def band_hz(self, settings: MetricSettings) -> Band:
        """From zero to the edge."""
        return 0.0, settings.jerk_edge_hz

    def carry_hz(self, settings: MetricSettings) -> float:
        """To the end of the edge's transition."""
        return (1 + jerk.TRANSITION / 2) * settings.jerk_edge_hz

    def make(self, settings: MetricSettings, rate_hz: float) -> Filter:
        """A band-limited differentiator."""
        require_rate(self.band_hz(settings), settings.rate_hz)
        return jerk.design(settings.jerk_edge_hz, rate_hz)


@dataclass(frozen=True)
class Channel:
    """One of AXES through a filter; with `running_s`, the running r.m.s. of that."""

    axis: str
    design: FilterDesign
    running_s: float = 0.0

    @property
    def source(self) -> Channel:
        """The filtered signal itself."""
        return replace(self, running_s=0.0)
