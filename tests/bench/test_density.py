"""Noise density and tones against known noise, by simulation, and against scipy."""

import numpy as np
import pytest
from scipy import signal
from towertap.bench import density
from towertap.errors import AnalysisError

RATE_HZ = 500.0


def white(rng, seconds, power_density):
    return rng.normal(0, power_density * np.sqrt(RATE_HZ / 2), (round(seconds * RATE_HZ), 3))


def test_white_noise_is_within_its_interval_in_95_percent_of_500_recordings():
    """The three axes of a recording are independent and count separately. Tones are searched, as in a real run."""
    rng, inside, recordings, false_tones = np.random.default_rng(11), 0, 500, 0
    for _ in range(recordings):
        values = white(rng, 24, 7e-4)
        spectrum = density.spectrum([values], RATE_HZ)
        tones, spoilt = density.find_tones(spectrum, 200.0)
        noise = density.white_density(spectrum, (10.0, 60.0), spoilt)
        inside += int(((noise.low <= 7e-4) & (noise.high >= 7e-4)).sum())
        false_tones += len(tones)
    assert 0.92 <= inside / (3 * recordings) <= 0.98
    assert false_tones <= 5


def test_the_spectrum_is_scipys():
    values = white(np.random.default_rng(1), 90, 1.0)
    spectrum = density.spectrum([values], RATE_HZ)
    frequency, expected = signal.welch(values, RATE_HZ, "hann", nperseg=2000, axis=0)
    assert spectrum.segments == 44
    assert spectrum.frequency_hz == pytest.approx(frequency)
    assert spectrum.density == pytest.approx(expected)


def test_degrees_of_freedom_of_one_line_are_welchs():
    """Welch 1967 for the Hann window at half overlap: variance ratio (1 + 2 (1 − 1/K)/36)/K, so 2K over that sum."""
    spectrum = density.Spectrum(np.arange(1001) * 0.25, np.ones((1001, 3)), 40, 2000)
    assert spectrum.freedom() == pytest.approx(2 * 40 / (1 + 2 * (1 - 1 / 40) / 36), rel=1e-3)


def test_tones_are_found_named_and_kept_out_of_the_density():
    """The r.m.s. of a sine is its amplitude over √2."""
    rng = np.random.default_rng(3)
    values = white(rng, 60, 7e-4)
    t = np.arange(len(values)) / RATE_HZ
    for f_hz, amplitude in ((50.02, 0.004), (150.06, 0.002), (41.3, 0.003), (123.9, 0.002)):
        values[:, 2] += amplitude * np.sin(2 * np.pi * f_hz * t)
    spectrum = density.spectrum([values], RATE_HZ)
    tones, spoilt = density.find_tones(spectrum, 200.0)
    assert [tone.frequency_hz for tone in tones] == pytest.approx([41.3, 50.02, 123.9, 150.06], abs=0.05)
    fan, mains, fans_third, mains_third = (tone.name for tone in tones)
    assert fan.startswith("not mains; a fan, pump or motor at 24")
    assert mains == "mains 50 Hz"
    assert fans_third.startswith("harmonic 3 of 41.")
    assert mains_third == "mains 50 Hz, harmonic 3"
    expected = np.array([0.003, 0.004, 0.002, 0.002]) / np.sqrt(2)
    assert [tone.rms[2] for tone in tones] == pytest.approx(expected, rel=0.1)
    assert max(tone.rms[0] for tone in tones) < 0.3 * 0.002
    clean = density.white_density(spectrum, (10.0, 200.0), spoilt)
    assert clean.value == pytest.approx([7e-4] * 3, rel=0.03)


def test_a_harmonic_of_both_mains_goes_to_60_hz_if_it_has_more():
    values = white(np.random.default_rng(3), 60, 7e-4)
    t = np.arange(len(values)) / RATE_HZ
    for f_hz in (60.0, 120.0, 150.0 + 30.0):
        values[:, 0] += 0.004 * np.sin(2 * np.pi * f_hz * t)
    tones, _ = density.find_tones(density.spectrum([values], RATE_HZ), 200.0)
    assert [tone.name for tone in tones] == ["mains 60 Hz", "mains 60 Hz, harmonic 2", "mains 60 Hz, harmonic 3"]


def test_a_short_recording_is_refused_with_the_length_that_it_needs():
    values = white(np.random.default_rng(1), 10, 1.0)
    with pytest.raises(AnalysisError, match="record 12 s or more"):
        density.spectrum([values], RATE_HZ)


def test_a_band_of_only_tones_has_no_density():
    spectrum = density.Spectrum(np.arange(11.0), np.ones((11, 3)), 40, 20)
    with pytest.raises(AnalysisError, match="quieter place"):
        density.white_density(spectrum, (2.0, 4.0), np.ones(11, bool))
