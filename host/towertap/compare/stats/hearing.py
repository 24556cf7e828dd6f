"""Knocks at one absolute level for both sides, and knocks that come in a regular series.

A knock is found when it stands above the background of its second, so a louder background hides knocks. Only knocks
that every pass could have heard are therefore compared: at each place the pass with the loudest background decides.
Background power also adds to the peaks that it does not hide, and is subtracted.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

OWN_QUANTILE = 0.9
"""Without aligned places, a pass hears what stands above this quantile of its own thresholds."""
ADDED = 3.0
"""A peak's square holds about this many times the background's square (r.m.s. without its loudest fifth)."""

SERIES_KNOCKS = 8
TOLERANCE, MULTIPLES = 0.08, 3
"""An interval fits a spacing when it is within this fraction of it from one, two or three times the spacing."""
SERIES_SHARE, SERIES_P = 0.5, 0.001
"""A series is reported if this share of the intervals fits, and chance would do that less often than this."""


def heard_alike(
    peak_ms2: Sequence[ArrayLike],
    background_ms2: Sequence[ArrayLike],
    place: Sequence[ArrayLike],
    threshold_ms2: ArrayLike,
) -> tuple[list[NDArray[np.bool_]], NDArray[np.float64]]:
    """Which knocks (k,) of each pass every pass could have heard, and the level (places,) that the loudest sets there.

    Per pass one array (k,) of peaks, of the backgrounds around them, and of places (numbers from 0). `threshold_ms2`
    (passes, places) is the peak that a knock had to reach there in each pass. Unaligned passes have one place, whose
    threshold `whole_pass` gives.
    """
    level = np.asarray(threshold_ms2, float).max(axis=0)
    above = []
    for peaks, backgrounds, places in zip(peak_ms2, background_ms2, place, strict=True):
        squares = np.square(np.asarray(peaks, float)) - ADDED * np.square(np.asarray(backgrounds, float))
        above.append(np.asarray(np.sqrt(np.fmax(squares, 0.0)) >= level[np.asarray(places, int)], bool))
    return above, level


def whole_pass(threshold_ms2: ArrayLike) -> float:
    """One threshold of an unaligned pass, from those of its cells (n,)."""
    return float(np.quantile(np.asarray(threshold_ms2, float), OWN_QUANTILE))


@dataclass(frozen=True)
class RegularSeries:
    """Knocks `spacing` apart, in the unit of the positions; `share` of the intervals fit it, by chance with `p`."""

    spacing: float
    share: float
    p: float


def regular_series(position: Sequence[ArrayLike]) -> RegularSeries | None:
    """Find a regular series (rail joints, slab joints) in positions (k,) of the knocks of each pass; None without one.

    Best in metres, where speed does not matter. The pass with the most knocks decides, since passes over the same few
    bumps are no more evidence than one. Each of its intervals is tried as the spacing. p is the binomial probability
    that this many others fit it if knocks come at random (exponential intervals of the same mean), times the number of
    intervals tried. Spacing and share are then those of all passes.
    """
    intervals = [np.diff(np.sort(np.asarray(positions, float))) for positions in position]
    gaps = max((gaps[gaps > 0] for gaps in intervals), key=len, default=np.empty(0))
    if gaps.size < SERIES_KNOCKS - 1:
        return None
    expected = np.zeros(gaps.size)
    for multiple in range(1, MULTIPLES + 1):
        near, far = (np.exp(-(multiple + end) * gaps / gaps.mean()) for end in (-TOLERANCE, TOLERANCE))
        expected += near - far
    fitting = np.array([_fits(gaps, spacing).sum() for spacing in gaps])
    p = np.fmin(1.0, gaps.size * scipy.special.bdtrc(fitting - 2, gaps.size - 1, expected))
    best = int(np.lexsort((gaps, p))[0])
    every = np.concatenate(intervals)
    fits = _fits(every, gaps[best])
    if p[best] > SERIES_P or fits.mean() < SERIES_SHARE:
        return None
    spacing = np.median(every[fits] / np.rint(every[fits] / gaps[best]))
    return RegularSeries(float(spacing), float(fits.mean()), float(p[best]))


def _fits(gaps: NDArray[np.float64], spacing: float) -> NDArray[np.bool_]:
    """Which of the intervals (n,) are one, two or three times the spacing."""
    multiple = np.clip(np.rint(gaps / spacing), 1, MULTIPLES)
    return np.asarray(np.abs(gaps - multiple * spacing) <= TOLERANCE * spacing)
