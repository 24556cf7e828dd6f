"""From one even rate to another, by a polyphase filter that keeps the band and leaves no image of it."""

from fractions import Fraction

import scipy

from towertap.errors import AnalysisError
from towertap.signals.filters import Array

FLAT = 0.48
"""Flat to 0.1 % up to this part of the lower rate; what the filter lets through ends as far above half of it."""
ATTENUATION_DB = 80.0
LONGEST_TERM = 1000
"""Rates are brought into a ratio of whole numbers up to this, exact to a part in a million."""


def resample(values: Array, rate_hz: float, new_rate_hz: float) -> tuple[Array, float]:
    """Bring evenly spaced values, (n,) or (n, axes), to about `new_rate_hz`; the values, and their rate exactly.

    A linear-phase FIR by Kaiser's design (Kaiser 1974). Its half length is 62 samples of the lower rate; so near to
    either end the signal is continued by the straight line through its first and last sample. Raises AnalysisError
    where the rates are further apart than whole numbers up to LONGEST_TERM tell.
    """
    ratio = Fraction(new_rate_hz / rate_hz).limit_denominator(LONGEST_TERM)
    up, down = ratio.numerator, ratio.denominator
    if not up:
        raise AnalysisError(f"a signal at {rate_hz:g} Hz cannot be brought to {new_rate_hz:g} Hz")
    if up == down:
        return values, rate_hz
    exact: Array = scipy.signal.resample_poly(values, up, down, axis=0, window=_low_pass(max(up, down)), padtype="line")
    return exact, rate_hz * up / down


def _low_pass(most: int) -> Array:
    """Taps (odd) at the common multiple of both rates, `most` times the lower one."""
    length, beta = scipy.signal.kaiserord(ATTENUATION_DB, 2 * (1 - 2 * FLAT) / most)
    return scipy.signal.firwin(length // 2 * 2 + 1, 0.5 / most, window=("kaiser", beta), fs=1.0)
