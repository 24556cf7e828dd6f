"""Invented roads: profiles over distance whose roughness follows ISO 8608, and their bends."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

REFERENCE_CYCLE_M = 0.1
"""Reference spatial frequency n0 of ISO 8608, cycles per metre."""

BAND_CYCLE_M = (0.01, 10.0)
"""Spatial frequencies in a profile: longer waves are hills, shorter ones vanish under the tyre."""

STEP_M = 0.01
"""Spacing of profile points."""

LENGTH_M = 700.0
"""Length of every road: more than half a minute on the fastest."""

LINE_SHARE = 0.2
"""Share of the roughness amplitude that is new in every pass, because no two passes follow exactly the same line."""


@dataclass(frozen=True)
class InventedRoad:
    """One road of the scenario: roughness, patches, bends and speed."""

    name: str
    roughness_m3: float
    speed_kmh: float
    patch_edge_m: float = 0.0
    patch_length_m: float = 4.0
    bend_ms2: float = 0.0
    bend_length_m: float = 60.0

    @property
    def seed(self) -> int:
        """A seed made from the name, so that every pass has the same profile."""
        return zlib.crc32(self.name.encode())


ROADS = (
    InventedRoad("quarry-lane", roughness_m3=400e-6, speed_kmh=40.0, patch_edge_m=0.008, bend_ms2=0.5),
    InventedRoad("moor-road", roughness_m3=128e-6, speed_kmh=50.0, bend_ms2=2.5),
    InventedRoad("bypass", roughness_m3=10e-6, speed_kmh=75.0, bend_ms2=0.3, bend_length_m=400.0),
)
"""The roads of the demo: class C to D with patches, class B to C and winding, class A and smooth."""


def roughness(roughness_m3: float, length_m: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """A random profile with the displacement PSD Gd(n) = Gd(n0)·(n/n0)^-2 within BAND_CYCLE_M.

    Takes Gd(n0) in m³ and a length in metres; returns heights in metres, one every STEP_M.
    """
    points = round(length_m / STEP_M)
    frequency = np.fft.rfftfreq(points, STEP_M)
    inside = (frequency >= BAND_CYCLE_M[0]) & (frequency <= BAND_CYCLE_M[1])
    density = np.zeros_like(frequency)
    density[inside] = roughness_m3 * (frequency[inside] / REFERENCE_CYCLE_M) ** -2
    # For a one-sided density G the transform of a real record has |X|² = G·N/(2·step).
    spectrum = np.sqrt(density * points / (4 * STEP_M)) * (rng.standard_normal((2, len(frequency))).T @ [1, 1j])
    return np.fft.irfft(spectrum, points)


def patches(edge_m: float, patch_length_m: float, length_m: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """A row of patches: level pieces of random height, with an edge between neighbours.

    Takes the standard deviation of the heights and the mean length of a patch, in metres; returns heights in metres.
    """
    heights = rng.normal(0.0, edge_m, round(2 * length_m / patch_length_m))
    ends = np.cumsum(rng.uniform(0.5, 1.5, len(heights)) * patch_length_m)
    return heights[np.searchsorted(ends, np.arange(round(length_m / STEP_M)) * STEP_M)]


def surface(
    road: InventedRoad, line: np.random.Generator | None = None, length_m: float = LENGTH_M
) -> NDArray[np.float64]:
    """The road's surface: heights in metres, one every STEP_M.

    It is the same in every call without `line`. With `line`, LINE_SHARE of the roughness amplitude is new.
    """
    rng = np.random.default_rng(road.seed)
    profile = roughness(road.roughness_m3, length_m, rng)
    if line is not None:
        line_profile = roughness(road.roughness_m3, length_m, line)
        profile = np.sqrt(1 - LINE_SHARE**2) * profile + LINE_SHARE * line_profile
    return profile + patches(road.patch_edge_m, road.patch_length_m, length_m, rng)


def under_tyre(heights: NDArray[np.float64], contact_m: float = 0.10) -> scipy.interpolate.PPoly:
    """The height under a tyre: averaged twice over the contact length, which rounds off edges.

    The result is a smooth function of distance in metres, with `.derivative()` for the slope.
    """
    width = round(contact_m / STEP_M)
    window = np.convolve(np.ones(width), np.ones(width)) / width**2
    smoothed = np.convolve(heights, window, mode="same")
    return scipy.interpolate.CubicSpline(np.arange(len(smoothed)) * STEP_M, smoothed)


def bends(road: InventedRoad) -> scipy.interpolate.PPoly:
    """The road's curvature over distance, 1/m, positive to the left; the same in every call.

    There is a bend every `bend_length_m`; the tightest gives up to `bend_ms2` of lateral acceleration at the road's
    speed.
    """
    rng = np.random.default_rng(road.seed + 1)
    knots = np.arange(0.0, LENGTH_M + 2 * road.bend_length_m, road.bend_length_m)
    curvature = rng.uniform(-1.0, 1.0, len(knots)) * road.bend_ms2 / (road.speed_kmh / 3.6) ** 2
    return scipy.interpolate.CubicSpline(knots, curvature)
