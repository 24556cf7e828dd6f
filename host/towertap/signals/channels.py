"""What a metric listens to: an axis of the vehicle through a filter, compared by value so that metrics share both."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

from towertap.signals import bands, jerk, weighting
from towertap.signals.filters import CARRIED, Band, Filter, Recursive

ACCELERATIONS = ("x", "y", "z")
ROTATIONS = ("roll", "pitch", "yaw")
AXES = (*ACCELERATIONS, *ROTATIONS)
"""The rows of a block of motion in vehicle axes: specific force in m/s², then rotation about x, y and z in rad/s."""


@dataclass(frozen=True)
class MetricSettings:
    """What the metrics of one analysis depend on, besides the signal."""

    rate_hz: float
    jerk_edge_hz: float = jerk.EDGE_HZ


class Design(Protocol):
    """A filter before the rate is known; designs that are equal make equal filters."""

    def __hash__(self) -> int:
        """Equal designs have the same."""

    @property
    def unit(self) -> str:
        """Unit of the filtered acceleration."""

    def band_hz(self, settings: MetricSettings) -> Band:
        """The band that passes."""

    def make(self, settings: MetricSettings) -> Filter:
        """The filter; AnalysisError when the rate cannot carry the band."""


@dataclass(frozen=True)
class BandPass:
    """A band between two edges in Hz; one that `gives_way` ends where the rate does."""

    low_hz: float
    high_hz: float
    gives_way: bool = False
    unit = "m/s²"

    def band_hz(self, settings: MetricSettings) -> Band:
        """The edges."""
        high_hz = min(self.high_hz, CARRIED * settings.rate_hz) if self.gives_way else self.high_hz
        return self.low_hz, high_hz

    def make(self, settings: MetricSettings) -> Filter:
        """A Butterworth band-pass."""
        return bands.design(self.band_hz(settings), settings.rate_hz)


@dataclass(frozen=True)
class Weighted:
    """One of the frequency weightings of `weighting.WEIGHTINGS`."""

    name: str
    unit = "m/s²"

    def band_hz(self, settings: MetricSettings) -> Band:
        """The standard's own band limits."""
        return weighting.BAND_LIMITS_HZ

    def make(self, settings: MetricSettings) -> Filter:
        """The weighting."""
        return Recursive(weighting.design(self.name, settings.rate_hz))


@dataclass(frozen=True)
class Derivative:
    """The derivative up to the settings' jerk edge."""

    unit = "m/s³"

    def band_hz(self, settings: MetricSettings) -> Band:
        """From nought to the edge."""
        return 0.0, settings.jerk_edge_hz

    def make(self, settings: MetricSettings) -> Filter:
        """A band-limited differentiator."""
        return jerk.design(settings.jerk_edge_hz, settings.rate_hz)


@dataclass(frozen=True)
class Channel:
    """One of AXES through a filter, or, over `running_s`, the running r.m.s. of that."""

    axis: str
    design: Design
    running_s: float = 0.0

    @property
    def source(self) -> Channel:
        """The filtered signal itself."""
        return replace(self, running_s=0.0)
