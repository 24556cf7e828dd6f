"""Single figures of a signal: r.m.s., running r.m.s. and its maximum, vibration dose, peak and crest factor.

Definitions: ISO 2631-1:1997 clause 6; signals are arrays (n,) that are already filtered, so that their mean is nought.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def rms(signal: ArrayLike) -> float:
    """Root of the mean square of `signal` (n,), in its unit."""
    return float(np.sqrt(np.mean(np.square(np.asarray(signal, float)))))


def peak(signal: ArrayLike) -> float:
    """Largest magnitude of `signal` (n,), in its unit."""
    return float(np.abs(np.asarray(signal, float)).max())


def running_rms(signal: ArrayLike, rate_hz: float, seconds: float = 1.0) -> NDArray[np.float64]:
    """R.m.s. over the last `seconds` before every row of `signal` (n,): (n − rows + 1,), empty when n is too short.

    The linear running average of ISO 2631-1 equation 2; element i covers the rows i to i + rows − 1.
    """
    rows = max(1, round(seconds * rate_hz))
    total = np.concatenate([[0.0], np.cumsum(np.square(np.asarray(signal, float)))])
    # Where the signal is nought, rounding leaves differences just below it.
    return np.sqrt(np.maximum(total[rows:] - total[:-rows], 0.0) / rows)


def mtvv(weighted: ArrayLike, rate_hz: float) -> float:
    """Maximum transient vibration value: the largest running r.m.s. over 1 s of `weighted` (n,), n of 1 s or more."""
    return float(running_rms(weighted, rate_hz).max())


def vdv(weighted: ArrayLike, rate_hz: float) -> float:
    """Vibration dose value, fourth root of the integral of the fourth power of `weighted` (n,): m/s^1.75 from m/s²."""
    return float((np.sum(np.asarray(weighted, float) ** 4) / rate_hz) ** 0.25)


def crest_factor(weighted: ArrayLike) -> float:
    """Peak over r.m.s. of `weighted` (n,), not all nought."""
    return peak(weighted) / rms(weighted)
