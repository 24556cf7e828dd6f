"""One time base: known tones and motions, sampled by two oscillators with known errors."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.errors import AnalysisError
from towertap.signals.time_base import find_offset, interpolate

from tests.compare import two_boxes


@pytest.mark.parametrize("rate_hz", [950.0, 1008.0, 4032.0, 8000.0])
@pytest.mark.parametrize("hz", [0.0, 3.7, 50.0, 199.0, 290.0])
def test_a_tone_between_samples_is_the_tone(rate_hz, hz):
    """Analysis: flat to 0.1 % up to 300 Hz at any rate, in amplitude and phase."""
    samples = np.cos(2 * np.pi * hz * np.arange(int(rate_hz)) / rate_hz)
    rows = np.random.default_rng(1).uniform(0.1, 0.9, 500) * rate_hz
    assert interpolate(samples, rate_hz, rows) == pytest.approx(np.cos(2 * np.pi * hz * rows / rate_hz), abs=1e-3)


def test_frequencies_above_the_grids_limit_are_removed():
    samples = np.cos(2 * np.pi * 620 * np.arange(4000) / 4000)
    assert np.abs(interpolate(samples, 4000.0, np.linspace(500, 3500, 751))).max() < 1e-3


def test_values_beyond_the_ends_are_nan():
    values = interpolate(np.ones(1000), 1000.0, np.array([-1.0, 0.0, 5.0, 500.0, 995.0, 1000.0]))
    assert np.isfinite(values).tolist() == [False, False, False, True, False, False]
    assert np.isnan(interpolate(np.ones(3), 1000.0, np.array([1.0]))).all()


def test_two_oscillators_and_clocks_are_aligned():
    """`two_boxes.py`, shorter: +0.8 and −0.5 %, 1.37 s apart, guessed 0.4 s wrong, a resonant path, independent motion.

    A delay error of 83 µs at 200 Hz is a tenth of a turn of phase; only its spread over the pass reduces the gain.
    """
    for seed in range(4):
        mean_s, spread_s, spectra = two_boxes.one_run(seed)
        assert abs(mean_s) < 4e-3  # the path's own delay, which cannot be separated from the clocks'
        assert spread_s < 150e-6
        inside = (spectra.frequency_hz >= 4) & (spectra.frequency_hz <= 100)
        gain = np.abs(spectra.xy / spectra.xx) / np.abs(two_boxes.transmissibility(spectra.frequency_hz))
        assert gain[inside].mean() == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("other_ms2", [0.0, 0.2])
def test_without_a_resonance_gain_is_1_up_to_200_hz(other_ms2):
    rng = np.random.default_rng(3)
    felt, passed = two_boxes.motion(rng, 30.0, lambda f: np.ones(f.size), other=other_ms2)
    mean_s, spread_s, spectra = paired(felt, passed)
    inside = (spectra.frequency_hz >= 100) & (spectra.frequency_hz <= 200)
    assert abs(mean_s) < 0.6e-3  # the grid's millisecond; the path has no delay
    assert spread_s < 20e-6
    assert np.abs(spectra.xy / spectra.xx)[inside].mean() == pytest.approx(1.0, abs=2e-3)


def test_an_oscillator_that_drifts_as_it_warms_is_followed():
    """In 60 s one rate changes by 200 ppm around its mean: 1.5 ms in the middle, a third of a turn at 200 Hz."""
    rng = np.random.default_rng(4)
    felt, passed = two_boxes.motion(rng, 62.0, lambda f: np.ones(f.size), other=0.3)

    def warming(time_s):
        return time_s + 200e-6 / 60 / 2 * (time_s - 60) * time_s

    _, spread_s, spectra = paired(lambda t: felt(warming(t)), passed, seconds=61.0)
    assert spread_s > 1e-3
    inside = (spectra.frequency_hz >= 100) & (spectra.frequency_hz <= 200)
    assert np.abs(spectra.xy / spectra.xx)[inside].mean() == pytest.approx(1.0, abs=0.01)


def test_two_drives_share_nothing_and_are_refused_in_one_line():
    felt, _ = two_boxes.motion(np.random.default_rng(5), 20.0)
    _, other = two_boxes.motion(np.random.default_rng(6), 20.0)
    with pytest.raises(AnalysisError, match="no more than by chance") as error:
        paired(felt, other, seconds=20.0)
    assert "\n" not in str(error.value)


def test_two_drives_with_the_same_engine_share_nothing_either():
    rng = np.random.default_rng(7)
    at_s = np.arange(20 * 4000) / 4000
    tone = 20 * np.sin(2 * np.pi * 62.0 * at_s)
    first, second = (two_boxes.interpolated(tone + rng.standard_normal(at_s.size), 4000.0) for _ in range(2))
    with pytest.raises(AnalysisError, match="no more than by chance"):
        find_offset(first, second, (0.5, 19.5), 0.0)


def paired(felt, passed, seconds=30.0):
    """Same as `one_run`, for a given motion."""
    return two_boxes.brought_together(felt, passed, seconds)
