"""Allan deviation against NIST SP 1065, and of simulated noise."""

import allantools
import numpy as np
import pytest
from scipy import stats
from towertap.bench import allan
from towertap.errors import AnalysisError


def nist_series():
    """The 1000 values of NIST SP 1065 section 12.4: a linear congruential generator's, each over its modulus."""
    values = [1234567890]
    for _ in range(999):
        values.append(16807 * values[-1] % 2147483647)
    return np.array(values) / 2147483647


def test_the_curve_begins_with_the_published_value():
    """NIST SP 1065 (Riley 2008), table 31, to the printed digits; later values are checked on the library."""
    curve, _ = allan.analyse(nist_series(), 1.0)
    assert f"{curve.deviation[0]:.6e}" == "2.922319e-01"
    assert f"{allantools.oadev(nist_series(), data_type='freq', taus=[10])[1][0]:.6e}" == "9.159953e-02"


def test_the_curve_is_the_root_of_half_the_mean_squared_change_of_means():
    """NIST SP 1065 equation 11, written out for a long series with drift, at 8 values."""
    rng = np.random.default_rng(5)
    series = rng.normal(9.8, 0.02, 100_000) + np.cumsum(rng.normal(0, 1e-4, 100_000))
    curve, _ = allan.analyse(series, 0.01)
    means = np.convolve(series - 9.8, np.full(8, 1 / 8), "valid")
    assert curve.tau_s[3] == pytest.approx(0.08)
    assert curve.deviation[3] == pytest.approx(np.sqrt(np.mean((means[8:] - means[:-8]) ** 2) / 2), rel=1e-6)


def test_velocity_random_walk_of_white_noise():
    """IEEE 952: white noise of one-sided density N has ADEV(1 s) = N/√2, inside the interval in 95 % of runs."""
    rng, interval_s, density = np.random.default_rng(2), 0.01, 7e-4
    inside = others = 0
    for _ in range(200):
        _, coefficients = allan.analyse(rng.normal(0, density * np.sqrt(0.5 / interval_s), 4000), interval_s)
        walk = coefficients["velocity_random_walk"]
        assert walk.seen
        inside += walk.interval[0] <= density / np.sqrt(2) <= walk.interval[1]
        others += sum(coefficient.seen for coefficient in coefficients.values()) - 1
    assert 0.90 <= inside / 200 <= 0.99
    assert others <= 0.05 * 3 * 200


def test_limits_cover_the_true_deviation():
    """White noise: the true deviation is known; chi-square limits with SP 1065's degrees of freedom."""
    rng, inside, count = np.random.default_rng(3), 0, 0
    for _ in range(200):
        curve, _ = allan.analyse(rng.normal(0, 1, 2048), 1.0)
        truth = 1 / np.sqrt(curve.tau_s)
        inside += ((curve.low <= truth) & (truth <= curve.high)).sum()
        count += truth.size
    assert 0.92 <= inside / count <= 0.98


def flicker(rng, n, instability, interval_s):
    """Noise of one-sided density B²/(π f), whose Allan variance is 2 ln 2/π · B² (IEEE 952)."""
    frequency = np.fft.rfftfreq(2 * n, interval_s)[1:]
    power = instability**2 / (np.pi * frequency)
    lines = rng.normal(size=(2, n)) * np.sqrt(power * 2 * n / (4 * interval_s))
    return np.fft.irfft(np.concatenate([[0], lines[0] + 1j * lines[1]]), 2 * n)[:n]


def test_a_simulated_bias_instability_is_recovered():
    rng, n, interval_s = np.random.default_rng(4), 200_000, 0.01
    series = rng.normal(0, 5e-4 / np.sqrt(interval_s), n) + flicker(rng, n, 3e-4, interval_s)
    _, coefficients = allan.analyse(series, interval_s)
    assert coefficients["bias_instability"].seen
    assert coefficients["bias_instability"].value == pytest.approx(3e-4, rel=0.1)
    assert coefficients["velocity_random_walk"].value == pytest.approx(5e-4, rel=0.02)
    assert not coefficients["ramp"].seen


def test_a_simulated_random_walk_and_ramp_are_recovered():
    rng, n, interval_s = np.random.default_rng(6), 200_000, 0.01
    white = rng.normal(0, 5e-4 / np.sqrt(interval_s), n)
    walk = np.cumsum(rng.normal(0, 4e-5 * np.sqrt(interval_s), n))
    _, coefficients = allan.analyse(white + walk, interval_s)
    assert coefficients["acceleration_random_walk"].seen
    assert coefficients["acceleration_random_walk"].value == pytest.approx(4e-5, rel=0.2)
    _, coefficients = allan.analyse(white + 3e-6 * interval_s * np.arange(n), interval_s)
    assert coefficients["ramp"].seen
    assert coefficients["ramp"].value == pytest.approx(3e-6, rel=0.1)


def test_noise_that_is_not_seen_has_a_bound_above_its_true_value():
    """An instability ten times too small to be seen is not claimed, and the bound does not exclude it."""
    rng, n = np.random.default_rng(7), 6000
    series = rng.normal(0, 5e-3, n) + flicker(rng, n, 3e-5, 0.01)
    _, coefficients = allan.analyse(series, 0.01)
    instability = coefficients["bias_instability"]
    assert not instability.seen
    assert instability.interval is None
    assert instability.bound > 3e-5


def test_a_curve_that_is_not_a_sum_of_noises_gives_no_coefficients():
    """A sway of 2 Hz makes a hump and a fall steeper than any kind of noise; no coefficient is claimed."""
    rng, interval_s = np.random.default_rng(8), 0.01
    series = rng.normal(0, 5e-3, 12_000) + 0.01 * np.sin(2 * np.pi * 2 * interval_s * np.arange(12_000))
    _, coefficients = allan.analyse(series, interval_s)
    assert not all(coefficient.follows for coefficient in coefficients.values())
    assert not any(coefficient.seen for coefficient in coefficients.values())


def test_too_short_and_dead_series_are_refused():
    with pytest.raises(AnalysisError, match="record longer"):
        allan.analyse(stats.norm.rvs(size=10, random_state=1), 0.01)
    with pytest.raises(AnalysisError, match="dead"):
        allan.analyse(np.ones(1000), 0.01)
