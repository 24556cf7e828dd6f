"""Resampling against tones of known values, and against scipy's resampling by Fourier transform."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from towertap.errors import AnalysisError
from towertap.signals.resampling import resample


def spectrum(values, rate_hz):
    """Amplitudes of the middle half under a Hann window, and their frequencies."""
    middle = values[len(values) // 4 : 3 * len(values) // 4]
    window = np.hanning(len(middle))
    return 2 * np.abs(np.fft.rfft(middle * window)) / window.sum(), np.fft.rfftfreq(len(middle), 1 / rate_hz)


@pytest.mark.parametrize("hz", [5.0, 100.0, 200.0, 220.0, 240.0])
def test_a_tone_up_to_nearly_half_the_rate_keeps_its_size_and_has_no_image(hz):
    """Analysis: a recording at 500 Hz as a box's motion at 16 kHz; an image would lie at 500 Hz − hz."""
    values, rate_hz = resample(np.cos(2 * np.pi * hz * np.arange(2000) / 500), 500.0, 16000.0)
    amplitudes, frequency_hz = spectrum(values, rate_hz)
    assert rate_hz == 16000
    assert amplitudes[abs(frequency_hz - hz) < 3].max() == pytest.approx(1, abs=1e-3)
    assert amplitudes[frequency_hz > 255].max() < 2e-4


def test_frequencies_above_the_lower_rates_limit_are_removed():
    values, _ = resample(np.cos(2 * np.pi * 270 * np.arange(20000) / 4000), 4000.0, 500.0)
    assert np.abs(values[100:-100]).max() < 2e-4


def test_it_is_scipys_fourier_resampling_where_that_is_exact():
    """scipy.signal.resample is exact for a periodic signal below half the lower rate (its documentation)."""
    phases = np.random.default_rng(3).uniform(0, 2 * np.pi, 40)
    at = np.arange(1000) / 1000
    periodic = sum(np.cos(2 * np.pi * k * at + phase) for k, phase in enumerate(phases, start=1))
    values, _ = resample(np.tile(periodic, 3), 1000.0, 1600.0)
    assert values[1600:3200] == pytest.approx(signal.resample(periodic, 1600), abs=1e-3)


@pytest.mark.parametrize("rate_hz", [99.87, 997.3, 4032.8565, 44100.0])
def test_the_new_rate_is_exact_and_gravity_stays(rate_hz):
    values, new_hz = resample(np.full((500, 2), 9.80665), rate_hz, 16000.0)
    assert new_hz == pytest.approx(16000, rel=1e-6)
    assert values.shape == (pytest.approx(500 * new_hz / rate_hz, abs=1), 2)
    assert values == pytest.approx(9.80665, rel=1e-4)


def test_rates_too_far_apart_are_refused():
    with pytest.raises(AnalysisError, match="cannot be brought"):
        resample(np.zeros(10), 1e6, 10.0)
