"""Densities over passes, against Parseval's theorem, and in fractions of an octave."""

import numpy as np
import pytest
from towertap.compare.sections.spectra.density import Density, in_fractions_of_octave, over_passes
from towertap.signals.spectra import WelchSum


def test_mean_and_spread_over_passes():
    frequency = np.arange(5) * 100.0
    density = over_passes([(frequency[:bins], np.full(bins, value)) for value, bins in ((1.0, 5), (2.0, 4), (6.0, 5))])
    assert density.frequency_hz.tolist() == [100.0, 200.0, 300.0]
    assert (density.low[0], density.mean[0], density.high[0], density.passes) == (1.0, 3.0, 6.0, 3)


def test_a_pass_without_a_complete_segment_is_left_out():
    frequency = np.arange(5) * 100.0
    assert over_passes([(frequency, np.full(5, np.nan))]) is None


def test_the_bands_add_up_to_the_variance():
    welch = WelchSum(1000.0, 2.0)
    welch.feed(np.random.default_rng(1).normal(size=(1, 400_000)))
    density = over_passes([(welch.frequency_hz, welch.densities[0].real)])
    # Parseval: white noise of variance 1 has 1/500 per hertz, so 100 Hz of it have an r.m.s. of sqrt(100/500).
    inside = (density.frequency_hz >= 100.0) & (density.frequency_hz < 200.0)
    assert np.sqrt(density.mean[inside].sum() * 0.5) == pytest.approx(np.sqrt(100 / 500), rel=0.01)


def test_drawing_in_fractions_of_an_octave_keeps_the_level_and_the_low_lines():
    frequency = np.arange(1, 1001) * 0.5
    smooth = in_fractions_of_octave(Density(frequency, np.ones(1000), np.ones(1000), np.ones(1000), 1), 24)
    assert smooth.frequency_hz[:6].tolist() == frequency[:6].tolist()
    assert smooth.frequency_hz.size < 250
    np.testing.assert_allclose(smooth.mean, 1.0)
