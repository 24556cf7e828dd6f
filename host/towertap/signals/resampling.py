"""Resampling from one even rate to another, by a polyphase filter that keeps the band and suppresses its images."""

from fractions import Fraction

import scipy

from towertap.errors import AnalysisError
from towertap.signals.filters import Array

FLAT = 0.48
"""Flat to 0.1 % up to this part of the lower rate; the stop band begins as far above half the rate."""
ATTENUATION_DB = 80.0
LONGEST_TERM = 1000
"""The ratio of the rates is of whole numbers up to this, exact to a part in a million."""


def resample(values: Array, rate_hz: float, new_rate_hz: float) -> tuple[Array, float]:
    """Resample evenly spaced values, (n,) or (n, axes), to about `new_rate_hz`; returns them and their exact rate.

    A linear-phase FIR by Kaiser's design (Kaiser 1974), of 62 samples of the lower rate on either side. Beyond its ends
    the signal is continued by the straight line through its first and last sample. AnalysisError if `new_rate_hz` is
    more than LONGEST_TERM times lower.
    """
    ratio = Fraction(new_rate_hz / rate_hz).limit_denominator(LONGEST_TERM)
    up, down = ratio.numerator, ratio.denominator
    if not up:
        raise AnalysisError(f"a signal at {rate_hz:g} Hz cannot be brought to {new_rate_hz:g} Hz")
    if up == down:
        return values, rate_hz
    factor = max(up, down)  # the filter runs at the common multiple of both rates, this many times the lower one
    length, beta = scipy.signal.kaiserord(ATTENUATION_DB, 2 * (1 - 2 * FLAT) / factor)
    taps = scipy.signal.firwin(length // 2 * 2 + 1, 0.5 / factor, window=("kaiser", beta), fs=1.0)
    resampled: Array = scipy.signal.resample_poly(values, up, down, axis=0, window=taps, padtype="line")
    return resampled, rate_hz * up / down
