"""Evidence of clipping and aliasing in recordings with and without them."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.signals.recorder import crowded_share, doubts, range_ends


def ride(seed=1, n=5000):
    return np.random.default_rng(seed).normal(9.8, 8.0, n)


@pytest.mark.parametrize("step", [0.0, 0.01, 0.1])
def test_clipped_axes_are_found_and_others_not(step):
    """Motion as continuous values and as a recorder's counts; −8 and 28 are 2.2 and 2.3 standard deviations away."""
    for seed in range(20):
        values = ride(seed)
        counts = np.round(values / step) * step if step else values
        assert range_ends(counts) == (None, None)
        clipped = np.clip(counts, -8.0, 28.0)
        assert range_ends(clipped) == (pytest.approx(-8.0), pytest.approx(28.0))
        assert range_ends(np.minimum(counts, 28.0)) == (None, pytest.approx(28.0))


def test_one_flat_top_of_three_samples_is_a_range_end():
    values = 9.8 + 30 * np.sin(2 * np.pi * 3.3 * np.arange(400) / 400 + 0.2) * np.hanning(400)
    assert range_ends(values) == (None, None)
    fourth = np.sort(values)[-4]
    assert range_ends(np.minimum(values, fourth)) == (None, pytest.approx(fourth))


@pytest.mark.parametrize("step", [0.05, 0.3, 1.0])
def test_the_rounded_crest_of_a_slow_wave_is_not_a_range_end(step):
    for hz in np.linspace(0.5, 2.0, 40):
        wave = 8 * np.sin(2 * np.pi * hz * np.arange(3000) / 500)
        assert range_ends(np.round(wave / step) * step) == (None, None)


def test_noise_at_rest_and_a_constant_axis_are_not_clipping():
    """Quantised noise reaches its extreme repeatedly, but less often than the next value."""
    all_ends = [range_ends(np.round(np.random.default_rng(seed).normal(0, 5, 4000))) for seed in range(500)]
    assert sum(ends != (None, None) for ends in all_ends) <= 5
    assert range_ends(np.zeros(100)) == (None, None)
    assert range_ends(np.full(5, np.nan)) == (None, None)


def test_the_share_above_four_tenths_of_the_rate_is_that_of_the_tones():
    """Two tones of amplitudes 1 and 0.5: the second has a fifth of the power."""
    at = np.arange(20000) / 500
    both = 9.8 + np.cos(2 * np.pi * 50 * at) + 0.5 * np.cos(2 * np.pi * 230 * at)
    assert crowded_share(both, 500.0) == pytest.approx(0.2, abs=0.005)
    assert crowded_share(9.8 + np.cos(2 * np.pi * 50 * at), 500.0) < 1e-6
    assert crowded_share(np.ones(100), 500.0) == 0


def test_doubts_name_the_axis():
    calm = np.convolve(ride(), np.hanning(15) / np.hanning(15).sum(), "same")
    assert doubts({"x": calm}, 500.0) == []
    clipped, crowded = doubts({"x": calm, "z": np.clip(ride(), 0, 20)}, 500.0)
    assert clipped.startswith("z: flat at the very extreme")
    assert crowded.startswith("z: more than 1 % of the power lies above 200 Hz")
