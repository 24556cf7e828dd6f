"""Densities and cross-spectra of signals in blocks against scipy for the complete signal."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from towertap.signals.spectra import WelchSum

RATE_HZ = 1000.0


def noise(rows, seed=1):
    return np.random.default_rng(seed).normal(size=rows)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 9000), max_size=12), rate_hz=st.sampled_from([500.0, 1000.3, 1001.0]))
def test_any_blocks_give_scipys_density_of_the_complete_signal(cuts, rate_hz):
    x = noise(9000) + 9.8
    welch = WelchSum(rate_hz, 1.0)
    for block in np.split(x, sorted(cuts)):
        welch.feed(block[None])
    expected = signal.welch(x, rate_hz, nperseg=round(rate_hz))  # Welch 1967, as scipy.signal.welch computes it
    np.testing.assert_allclose(welch.frequency_hz, expected[0], rtol=1e-12)
    np.testing.assert_allclose(welch.densities[0].real, expected[1], rtol=1e-10)


def test_no_segment_lies_across_a_gap():
    parts = noise(5000, 2), 100.0 + noise(7000, 3)  # a step that would stand out in every bin
    welch = WelchSum(RATE_HZ, 2.0)
    for part in parts:
        welch.gap()
        welch.feed(part[None])
    each = [signal.welch(part, RATE_HZ, nperseg=2000)[1] for part in parts]
    segments = [len(part) // 1000 - 1 for part in parts]  # half overlap
    np.testing.assert_allclose(welch.densities[0].real, np.average(each, axis=0, weights=segments), rtol=1e-10)


def test_a_piece_shorter_than_a_segment_has_no_density():
    welch = WelchSum(RATE_HZ, 2.0)
    welch.feed(noise(1999)[None])
    assert np.isnan(welch.densities).all()


def test_pairs_of_signals_are_scipys():
    x, y = noise(23456, 4), noise(23456, 5)
    welch = WelchSum(RATE_HZ, 2.0, ((0, 0), (0, 1)))
    for start in range(0, x.size, 777):
        welch.feed(np.array([x + 9.81, x + y])[:, start : start + 777])
    np.testing.assert_allclose(welch.densities[0], signal.welch(x, RATE_HZ, nperseg=2000)[1], rtol=1e-9)
    np.testing.assert_allclose(welch.densities[1], signal.csd(x, x + y, RATE_HZ, nperseg=2000)[1], rtol=1e-9)
    assert (welch.segments, welch.touching) == (22, 21)
