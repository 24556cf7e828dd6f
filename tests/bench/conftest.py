"""Motions for the bench's tests."""

import numpy as np
import pytest
from scipy import signal


def _ringing(rng, rate_hz, resonances, *, taps=4, force=40.0, blow_s=0.0015):
    """Taps on a box on a spring in each axis, (n, 3) in m/s², without noise, gravity on z.

    `resonances` are (frequency in Hz, damping) of each axis. The response of a mass on a spring to its base, exact at
    the samples (scipy.signal.lsim); a tap is a half sine of base acceleration.
    """
    t = np.arange(round((0.6 + taps) * rate_hz)) / rate_hz
    base = np.zeros(t.size)
    for k in range(taps):
        inside = (t >= 0.3 + k) & (t < 0.3 + k + blow_s)
        base[inside] = force * rng.uniform(0.5, 1.2) * np.sin(np.pi * (t[inside] - 0.3 - k) / blow_s)
    axes = []
    for (frequency_hz, damping), part in zip(resonances, (0.3, 0.5, 1.0), strict=True):
        w = 2 * np.pi * frequency_hz
        axes.append(signal.lsim(([2 * damping * w, w**2], [1, 2 * damping * w, w**2]), part * base, t)[1])
    return np.stack(axes, axis=1) + np.array([0.0, 0.0, 9.80665])


@pytest.fixture(scope="session")
def ringing():
    """A function that makes taps on a mounted box."""
    return _ringing
