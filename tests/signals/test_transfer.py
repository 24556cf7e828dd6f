"""Transfer and coherence: scipy for the unbroken case, filters and signal-to-noise ratios known by formula, chance."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats
from towertap.signals.spectra import WelchSum
from towertap.signals.transfer import PAIRS, chance_coherence, in_bands, spectra_of

RATE_HZ = 1000.0


def spectra(x, y, block=777, segment_s=2.0):
    welch = WelchSum(RATE_HZ, segment_s, PAIRS)
    for start in range(0, x.size, block):
        welch.feed(np.array([x, y])[:, start : start + block])
    return spectra_of(welch)


def filtered(rng, n, level):
    """White noise of unit density, a resonator's output at 40 Hz, and noise of r.m.s. `level` beside it."""
    b, a = signal.iirpeak(40.0, 2.0, fs=RATE_HZ)
    x = rng.standard_normal(n)
    return x, signal.lfilter(b, a, x) + level * rng.standard_normal(n), (b, a)


def test_over_unbroken_signals_it_is_scipys():
    rng = np.random.default_rng(1)
    x, y, _ = filtered(rng, 23456, 0.3)
    found, options = spectra(x + 9.81, y), {"fs": RATE_HZ, "nperseg": 2000}
    assert found.frequency_hz == pytest.approx(signal.welch(x, **options)[0])
    assert found.xx == pytest.approx(signal.welch(x, **options)[1])
    assert found.yy == pytest.approx(signal.welch(y, **options)[1])
    assert found.xy == pytest.approx(signal.csd(x, y, **options)[1])
    assert found.coherence[1:] == pytest.approx(signal.coherence(x, y, **options)[1][1:])


def test_a_segment_with_a_gap_is_left_out_whole():
    """Two stretches of 10 s with 1.5 s missing in the output: as both alone, by scipy, nine segments each."""
    rng = np.random.default_rng(2)
    x, y, _ = filtered(rng, 22000, 0.3)
    y[10000:11500] = np.nan
    found = spectra(x, y)
    apart = [
        signal.csd(x[part], y[part], fs=RATE_HZ, nperseg=2000)[1] for part in (slice(0, 10000), slice(12000, None))
    ]
    assert found.xy == pytest.approx(np.mean(apart, axis=0))
    # Welch 1967: 18 segments of which 16 pairs overlap by half, squared correlation 1/36 (Hann)
    assert found.averages == pytest.approx(18**2 / (18 + 2 * 16 / 36))


def test_nothing_whole_is_no_number_and_no_average():
    found = spectra(np.zeros(1000), np.zeros(1000))
    assert found.averages == 0
    assert np.isnan(found.xx).all()
    assert np.isnan(in_bands(found, np.array([[10.0, 20.0]])).gain).all()


def test_averages_are_worth_what_the_scatter_of_a_density_says():
    """The relative variance of a Welch density is one over the independent averages (Bendat and Piersol)."""
    rng = np.random.default_rng(3)
    found = [spectra(x, x, segment_s=0.2) for x in rng.standard_normal((300, 2000))]
    lines = np.array([one.xx[5:-5] for one in found])
    assert (lines.mean(axis=0) ** 2).mean() / lines.var(axis=0, ddof=1).mean() == pytest.approx(
        found[0].averages, rel=0.03
    )


def test_coherence_is_that_of_the_noise():
    """A filter known by its coefficients and white noise beside it: γ² = |H|²/(|H|² + level²), |H| by `freqz`."""
    rng, coherence, lines = np.random.default_rng(4), [], slice(20, 300)  # 10 to 150 Hz
    for _ in range(300):
        x, y, (b, a) = filtered(rng, 12000, 0.5)
        found = spectra(x, y)
        coherence.append(found.coherence[lines])
    gained = np.abs(signal.freqz(b, a, found.frequency_hz[lines], fs=RATE_HZ)[1]) ** 2
    expected = gained / (gained + 0.25)
    bias = (1 - expected) ** 2 / found.averages  # Bendat and Piersol, to the first order in 1 / n
    assert np.mean(coherence, axis=0) == pytest.approx(expected + bias, abs=0.03)


@pytest.mark.parametrize("lines", [1, 3, 12])
def test_chance_is_exceeded_once_in_twenty(lines):
    """The coherence of independent averages of nothing is Beta(1, n − 1) (Bendat and Piersol; exact for one line)."""
    averages = 12
    drawn = stats.beta.rvs(1, averages - 1, size=(100_000, lines), random_state=5).mean(axis=1)
    assert (drawn > chance_coherence(averages, lines)).mean() == pytest.approx(0.05, abs=0.004)
    assert chance_coherence(averages) == pytest.approx(stats.beta.ppf(0.95, 1, averages - 1))
    assert chance_coherence(1.0) == 1.0


def test_two_signals_with_nothing_in_common_are_coherent_by_chance_only():
    rng = np.random.default_rng(6)
    edges_hz = np.array([[44.7, 56.2], [178.0, 224.0]])
    bands = [in_bands(spectra(*rng.standard_normal((2, 16000))), edges_hz) for _ in range(300)]
    over = np.array([one.coherence > one.chance for one in bands])
    assert 0.02 < over.mean() < 0.08
    assert np.mean([one.coherence for one in bands]) < 0.02


def test_a_band_across_a_resonance_is_coherent_although_its_phase_turns():
    """A resonator of Q 20 at 50 Hz without noise turns the phase by 180° within the band; its mean square is known."""
    rng = np.random.default_rng(7)
    b, a = signal.iirpeak(50.0, 20.0, fs=RATE_HZ)
    x = rng.standard_normal(120_000)
    band = in_bands(found := spectra(x, signal.lfilter(b, a, x)), np.array([[44.67, 56.23]]))
    gained = np.abs(signal.freqz(b, a, np.linspace(44.75, 56.0, 400), fs=RATE_HZ)[1])
    inside = (found.frequency_hz >= 44.67) & (found.frequency_hz < 56.23)
    summed_first = np.abs(found.xy[inside].sum()) ** 2 / (found.xx[inside].sum() * found.yy[inside].sum())
    assert summed_first < 0.65
    assert band.coherence[0] > 0.95
    assert band.gain[0] == pytest.approx(np.sqrt((gained**2).mean()), rel=0.04)


@pytest.mark.parametrize(("rows", "loss"), [(20, 0.00066), (100, 0.0161)])
def test_a_delay_makes_it_too_small_by_the_windows_own_correlation(rows, loss):
    """Of a Hann window with itself, delayed; the losses are those that `Spectra` tells."""
    window = signal.get_window("hann", 2000)
    assert 1 - window[rows:] @ window[:-rows] / (window @ window) == pytest.approx(loss, rel=0.05)
    x = np.random.default_rng(8).standard_normal(400_000)
    found = spectra(x[rows:], x[:-rows], block=100_000)
    assert np.abs((found.xy / found.xx)[10:-10]).mean() == pytest.approx(1 - loss, abs=2e-3)
