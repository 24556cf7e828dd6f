"""The frequency weightings of human vibration, as digital filters at any rate from 500 Hz up.

Design parameters: ISO 8041-1, as used by ISO 2631-1 (Wk, Wd, Wc, We, Wj) and ISO 2631-4 (Wb). At low rates the
bilinear transform would warp the weightings away from the standard. So each analogue second-order section gets the
poles of the impulse-invariant transform, and zeros that match its magnitude at 0 Hz, at its corner and at a quarter of
the rate (after M. Vicanek, Matched Second Order Digital Filters, 2016, from memory; there the third frequency is half
the rate, which fits worse).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from towertap.errors import AnalysisError, CallError

MINIMUM_RATE_HZ = 500.0
"""Below this rate a weighting's upper band limit is too close to half the rate."""

BAND_LIMITS_HZ = (0.4, 100.0)
"""The second-order Butterworth band limits of all six weightings."""


Polynomial = tuple[float, float, float]
AnalogueSection = tuple[Polynomial, Polynomial, float]
"""A second-order section: numerator and denominator in s, highest power first, and its corner in Hz."""


@dataclass(frozen=True)
class Weighting:
    """ISO 8041-1 parameters: transition (f3, f4, Q4), upward step (f5, Q5, f6, Q6), gain. None where a factor is 1."""

    transition: tuple[float, float, float] | None
    step: tuple[float, float, float, float] | None = None
    gain: float = 1.0

    def sections(self) -> list[AnalogueSection]:
        """The factors of the weighting without its gain: band limits, transition, step."""
        low, high = BAND_LIMITS_HZ
        factors: list[AnalogueSection] = [
            ((_quadratic(low, 0.5**0.5)[0], 0.0, 0.0), _quadratic(low, 0.5**0.5), low),
            ((0.0, 0.0, 1.0), _quadratic(high, 0.5**0.5), high),
        ]
        if self.transition:
            f3, f4, q4 = self.transition
            factors.append(((0.0, 1 / (2 * np.pi * f3), 1.0), _quadratic(f4, q4), f4))
        if self.step:
            f5, q5, f6, q6 = self.step
            lift = (f5 / f6) ** 2
            s2, s1, s0 = _quadratic(f5, q5)
            factors.append(((lift * s2, lift * s1, lift * s0), _quadratic(f6, q6), f6))
        return factors


WEIGHTINGS = {
    "Wk": Weighting((12.5, 12.5, 0.63), (2.37, 0.91, 3.35, 0.91)),
    "Wd": Weighting((2.0, 2.0, 0.63)),
    "Wb": Weighting((16.0, 16.0, 0.55), (2.5, 0.9, 4.0, 0.95), gain=1.024),
    "Wc": Weighting((8.0, 8.0, 0.63)),
    "We": Weighting((1.0, 1.0, 0.63)),
    "Wj": Weighting(None, (3.75, 0.91, 5.32, 0.91)),
}


@lru_cache
def design(name: str, rate_hz: float) -> NDArray[np.float64]:
    """Weighting `name` as second-order sections (n, 6) for `scipy.signal.sosfilt` at `rate_hz`.

    Within 0.1 dB of the standard's response from 0.5 to 80 Hz. Raises CallError for an unknown name, AnalysisError
    for a rate below 500 Hz.
    """
    if name not in WEIGHTINGS:
        raise CallError(f"there is no weighting '{name}': choose one of {', '.join(WEIGHTINGS)}")
    weighting = WEIGHTINGS[name]
    if rate_hz < MINIMUM_RATE_HZ:
        raise AnalysisError(
            f"weighting {name} needs a rate of {MINIMUM_RATE_HZ:g} Hz or more, not {rate_hz:g} Hz: record faster"
        )
    sos = np.array([_matched(section, rate_hz) for section in weighting.sections()])
    sos[0, :3] *= weighting.gain
    return sos


def _quadratic(f_hz: float, q: float) -> Polynomial:
    """1 + s/(Q w) + (s/w)^2 with w = 2 pi f, highest power first."""
    w = 2 * np.pi * f_hz
    return (1 / w**2, 1 / (q * w), 1.0)


def _matched(section: AnalogueSection, rate_hz: float) -> NDArray[np.float64]:
    """One digital section (6,), b0 b1 b2 1 a1 a2, from an analogue one."""
    numerator, denominator, corner_hz = section
    a = np.poly(np.exp(np.roots(denominator) / rate_hz)).real
    f_hz = np.array([0.0, corner_hz, rate_hz / 4])
    s, z = 2j * np.pi * f_hz, np.exp(2j * np.pi * f_hz / rate_hz)
    power = np.abs(np.polyval(numerator, s) / np.polyval(denominator, s) * np.polyval(a, z)) ** 2
    # |b0 + b1/z + b2/z²|² = B0 (1 - u) + B1 u + B2 4 u (1 - u), u = sin²(pi f / rate), with B0 = (b0 + b1 + b2)²,
    # B1 = (b0 - b1 + b2)², B2 = -4 b0 b2. Of the solutions for b, take the minimum-phase one. With a zero at 0 Hz,
    # rounding can leave values just below zero under the roots.
    u = np.sin(np.pi * f_hz / rate_hz) ** 2
    B0, B1, B2 = np.linalg.solve(np.column_stack([1 - u, u, 4 * u * (1 - u)]), power)
    at_zero, at_half_rate = np.sqrt(max(B0, 0.0)), np.sqrt(max(B1, 0.0))
    outer = (at_zero + at_half_rate) / 2
    b0 = (outer + np.sqrt(max(outer**2 + B2, 0.0))) / 2
    return np.array([b0, (at_zero - at_half_rate) / 2, -B2 / (4 * b0), *a])
