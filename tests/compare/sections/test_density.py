"""Densities in blocks against scipy.signal.welch over the whole, and their sums against Parseval."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from towertap.compare.sections.spectra.density import Density, WelchSum, in_fractions_of_octave, over_passes

RATE_HZ = 1000.0


def noise(rows, seed=1):
    return np.random.default_rng(seed).normal(size=rows)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 9000), max_size=12), rate_hz=st.sampled_from([500.0, 1000.3, 1001.0]))
def test_any_blocks_give_what_scipy_gives_for_the_whole(cuts, rate_hz):
    x = noise(9000) + 9.8
    welch = WelchSum(rate_hz, segment_s=1.0)
    for block in np.split(x, sorted(cuts)):
        welch.feed(block)
    frequency, density = welch.result()
    expected = signal.welch(x, rate_hz, nperseg=round(rate_hz))  # Welch 1967, as scipy.signal.welch computes it
    np.testing.assert_allclose(frequency, expected[0], rtol=1e-12)
    np.testing.assert_allclose(density, expected[1], rtol=1e-10)


def test_no_segment_lies_across_a_gap():
    parts = noise(5000, 2), 100.0 + noise(7000, 3)  # a step that would stand out in every bin
    welch = WelchSum(RATE_HZ)
    for part in parts:
        welch.gap()
        welch.feed(part)
    each = [signal.welch(part, RATE_HZ, nperseg=2000)[1] for part in parts]
    segments = [len(part) // 1000 - 1 for part in parts]  # half overlap
    np.testing.assert_allclose(welch.result()[1], np.average(each, axis=0, weights=segments), rtol=1e-10)


def test_a_piece_shorter_than_a_segment_has_no_density():
    welch = WelchSum(RATE_HZ)
    welch.feed(noise(1999))
    assert np.isnan(welch.result()[1]).all()
    assert over_passes([welch.result()], 500.0) is None


def test_mean_and_spread_over_passes():
    frequency = np.arange(5) * 100.0
    density = over_passes([(frequency, np.full(5, value)) for value in (1.0, 2.0, 6.0)], 300.0)
    assert density.frequency_hz.tolist() == [100.0, 200.0, 300.0]
    assert (density.low[0], density.mean[0], density.high[0], density.passes) == (1.0, 3.0, 6.0, 3)


def test_the_bands_add_up_to_the_variance():
    x = noise(400_000)
    welch = WelchSum(RATE_HZ)
    welch.feed(x)
    density = over_passes([welch.result()], 500.0)
    # Parseval: white noise of variance 1 has 1/500 a hertz, so 100 Hz of it an r.m.s. of sqrt(100/500).
    inside = (density.frequency_hz >= 100.0) & (density.frequency_hz < 200.0)
    assert np.sqrt(density.mean[inside].sum() * 0.5) == pytest.approx(np.sqrt(100 / 500), rel=0.01)


def test_drawing_in_fractions_of_an_octave_keeps_the_level_and_the_low_lines():
    frequency = np.arange(1, 1001) * 0.5
    smooth = in_fractions_of_octave(Density(frequency, np.ones(1000), np.ones(1000), np.ones(1000), 1), 24)
    assert smooth.frequency_hz[:6].tolist() == frequency[:6].tolist()
    assert smooth.frequency_hz.size < 250
    np.testing.assert_allclose(smooth.mean, 1.0)
