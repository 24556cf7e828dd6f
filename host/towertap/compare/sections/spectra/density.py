"""Densities over several passes, and averaged in fractions of an octave for drawing."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SEGMENT_S = 2.0
"""Length of a segment: a resolution of 0.5 Hz, the lower end of primary ride."""


@dataclass(frozen=True, eq=False)
class Density:
    """Mean, lowest and highest density (n,) of a side's passes over a road, in the signal's unit squared per hertz."""

    frequency_hz: NDArray[np.float64]
    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    passes: int


def over_passes(spectra: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]]) -> Density | None:
    """Mean, smallest and largest density over passes, up to the highest common frequency; None without a finite one.

    Frequencies of passes differ by a few parts per million, as their rates do; the first pass's are used for all.
    """
    finite = [(frequency, density) for frequency, density in spectra if np.isfinite(density).all()]
    if not finite:
        return None
    bins = min(frequency.size for frequency, _ in finite)
    stack = np.stack([density[1:bins] for _, density in finite])
    return Density(finite[0][0][1:bins], stack.mean(axis=0), stack.min(axis=0), stack.max(axis=0), len(finite))


def in_fractions_of_octave(density: Density, fraction: int) -> Density:
    """The density averaged over 1/`fraction` octave, for drawing; lines that are further apart stay."""
    group = np.round(fraction * np.log2(density.frequency_hz))
    starts = np.flatnonzero(np.diff(group, prepend=-np.inf))
    sizes = np.diff(starts, append=group.size)

    def means(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.add.reduceat(values, starts) / sizes

    return Density(
        frequency_hz=means(density.frequency_hz),
        mean=means(density.mean),
        low=means(density.low),
        high=means(density.high),
        passes=density.passes,
    )
