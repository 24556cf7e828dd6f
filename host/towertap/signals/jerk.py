"""Jerk, the time derivative of acceleration (m/s³), up to a stated edge; without one it is mostly sensor noise."""

from functools import lru_cache

import numpy as np
import scipy

from towertap.errors import CallError
from towertap.signals.filters import Symmetric, require_rate

EDGE_HZ = 100.0
"""Default edge: harshness is felt up to about here (common practice)."""

LOWEST_EDGE_HZ = 5.0

TRANSITION = 0.1
"""Width of the transition around the edge, as a fraction of the edge."""

ATTENUATION_DB = 100.0


@lru_cache
def design(edge_hz: float, rate_hz: float) -> Symmetric:
    """A differentiator up to `edge_hz`: the ideal band-limited derivative under a Kaiser window; m/s³ from m/s².

    A sine below 0.95 edge is right within 0.02 %, one at the edge is halved, one above 1.05 edge is 100 dB down. White
    noise of density N gives N·2π·√(edge³/3), less 1.3 % because of the transition. Source: the window method for
    differentiators, Oppenheim & Schafer, Discrete-Time Signal Processing, chapter 7. Raises CallError for an edge
    below 5 Hz, AnalysisError if the rate cannot carry it.
    """
    if not edge_hz >= LOWEST_EDGE_HZ:
        raise CallError(f"a jerk edge of {edge_hz:g} Hz is too low: give {LOWEST_EDGE_HZ:g} Hz or more")
    require_rate((0.0, edge_hz), rate_hz)
    length, beta = scipy.signal.kaiserord(ATTENUATION_DB, TRANSITION * edge_hz / (rate_hz / 2))
    half = length // 2
    t = np.arange(1, half + 1) / rate_hz
    # Derivative of the ideal low-pass's impulse response 2 fc sinc(2 fc t); odd about t = 0.
    after = 2 * edge_hz * (np.cos(2 * np.pi * edge_hz * t) - np.sinc(2 * edge_hz * t)) / t / rate_hz
    return Symmetric(np.concatenate([-after[::-1], [0.0], after]) * np.kaiser(2 * half + 1, beta))
