"""Transfer and coherence against scipy, known filters and signal-to-noise ratios, and the distribution of chance."""

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
    """White noise, the output of a resonator at 40 Hz plus noise of r.m.s. `level`, and its coefficients."""
    b, a = signal.iirpeak(40.0, 2.0, fs=RATE_HZ)
    x = rng.standard_normal(n)
    return x, signal.lfilter(b, a, x) + level * rng.standard_normal(n), (b, a)


def test_for_unbroken_signals_it_is_scipys():
    rng = np.random.default_rng(1)
    x, y, _ = filtered(rng, 23456, 0.3)
    result, options = spectra(x + 9.81, y), {"fs": RATE_HZ, "nperseg": 2000}
    assert result.frequency_hz == pytest.approx(signal.welch(x, **options)[0])
    assert result.xx == pytest.approx(signal.welch(x, **options)[1])
    assert result.yy == pytest.approx(signal.welch(y, **options)[1])
    assert result.xy == pytest.approx(signal.csd(x, y, **options)[1])
    assert result.coherence[1:] == pytest.approx(signal.coherence(x, y, **options)[1][1:])


def test_a_segment_with_a_gap_is_left_out():
    """Two stretches of 10 s with 1.5 s missing in the output: the mean of both by scipy, nine segments each."""
    rng = np.random.default_rng(2)
    x, y, _ = filtered(rng, 22000, 0.3)
    y[10000:11500] = np.nan
    result = spectra(x, y)
    parts = [
        signal.csd(x[part], y[part], fs=RATE_HZ, nperseg=2000)[1] for part in (slice(0, 10000), slice(12000, None))
    ]
    assert result.xy == pytest.approx(np.mean(parts, axis=0))
    # Welch 1967: 18 segments of which 16 pairs overlap by half, squared correlation 1/36 (Hann)
    assert result.averages == pytest.approx(18**2 / (18 + 2 * 16 / 36))


def test_without_a_complete_segment_everything_is_nan():
    result = spectra(np.zeros(1000), np.zeros(1000))
    assert result.averages == 0
    assert np.isnan(result.xx).all()
    assert np.isnan(in_bands(result, np.array([[10.0, 20.0]])).gain).all()


def test_averages_agree_with_the_scatter_of_a_density():
    """The relative variance of a Welch density is one over the independent averages (Bendat and Piersol)."""
    rng = np.random.default_rng(3)
    results = [spectra(x, x, segment_s=0.2) for x in rng.standard_normal((300, 2000))]
    lines = np.array([result.xx[5:-5] for result in results])
    averages = (lines.mean(axis=0) ** 2).mean() / lines.var(axis=0, ddof=1).mean()
    assert averages == pytest.approx(results[0].averages, rel=0.03)


def test_coherence_follows_the_signal_to_noise_ratio():
    """A known filter plus white noise: γ² = |H|²/(|H|² + level²), |H| by `freqz`."""
    rng, coherence, lines = np.random.default_rng(4), [], slice(20, 300)  # 10 to 150 Hz
    for _ in range(300):
        x, y, (b, a) = filtered(rng, 12000, 0.5)
        result = spectra(x, y)
        coherence.append(result.coherence[lines])
    power_gain = np.abs(signal.freqz(b, a, result.frequency_hz[lines], fs=RATE_HZ)[1]) ** 2
    expected = power_gain / (power_gain + 0.25)
    bias = (1 - expected) ** 2 / result.averages  # Bendat and Piersol, to the first order in 1 / n
    assert np.mean(coherence, axis=0) == pytest.approx(expected + bias, abs=0.03)


@pytest.mark.parametrize("lines", [1, 3, 12])
def test_chance_is_exceeded_once_in_twenty(lines):
    """Without a common signal, coherence is Beta(1, n − 1) (Bendat and Piersol; exact for one line)."""
    averages = 12
    drawn = stats.beta.rvs(1, averages - 1, size=(100_000, lines), random_state=5).mean(axis=1)
    assert (drawn > chance_coherence(averages, lines)).mean() == pytest.approx(0.05, abs=0.004)
    assert chance_coherence(averages) == pytest.approx(stats.beta.ppf(0.95, 1, averages - 1))
    assert chance_coherence(1.0) == 1.0


def test_two_signals_with_nothing_in_common_are_coherent_by_chance_only():
    rng = np.random.default_rng(6)
    edges_hz = np.array([[44.7, 56.2], [178.0, 224.0]])
    bands = [in_bands(spectra(*rng.standard_normal((2, 16000))), edges_hz) for _ in range(300)]
    exceeds = np.array([result.coherence > result.chance for result in bands])
    assert 0.02 < exceeds.mean() < 0.08
    assert np.mean([result.coherence for result in bands]) < 0.02


def test_a_band_across_a_resonance_is_coherent_although_its_phase_turns():
    """A resonator of Q 20 at 50 Hz without noise turns the phase by 180° within the band; its gain is known."""
    rng = np.random.default_rng(7)
    b, a = signal.iirpeak(50.0, 20.0, fs=RATE_HZ)
    x = rng.standard_normal(120_000)
    result = spectra(x, signal.lfilter(b, a, x))
    band = in_bands(result, np.array([[44.67, 56.23]]))
    gain = np.abs(signal.freqz(b, a, np.linspace(44.75, 56.0, 400), fs=RATE_HZ)[1])
    inside = (result.frequency_hz >= 44.67) & (result.frequency_hz < 56.23)
    summed_first = np.abs(result.xy[inside].sum()) ** 2 / (result.xx[inside].sum() * result.yy[inside].sum())
    assert summed_first < 0.65
    assert band.coherence[0] > 0.95
    assert band.gain[0] == pytest.approx(np.sqrt((gain**2).mean()), rel=0.04)


@pytest.mark.parametrize(("rows", "loss"), [(20, 0.00066), (100, 0.0161)])
def test_a_delay_reduces_the_transfer_by_the_windows_autocorrelation(rows, loss):
    """Autocorrelation of a Hann window; the losses are those in the docstring of `Spectra`."""
    window = signal.get_window("hann", 2000)
    assert 1 - window[rows:] @ window[:-rows] / (window @ window) == pytest.approx(loss, rel=0.05)
    x = np.random.default_rng(8).standard_normal(400_000)
    result = spectra(x[rows:], x[:-rows], block=100_000)
    assert np.abs((result.xy / result.xx)[10:-10]).mean() == pytest.approx(1 - loss, abs=2e-3)
