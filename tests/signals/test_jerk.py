"""Jerk against analysis: sines and white noise."""

import numpy as np
import pytest
from scipy import signal
from towertap.errors import AnalysisError, CallError
from towertap.signals import jerk


def rms(values):
    return np.sqrt(np.mean(values**2))


def differentiate(acceleration, rate_hz, edge_hz=100.0):
    return jerk.design(edge_hz, rate_hz).start()(acceleration)


@pytest.mark.parametrize("rate_hz", [500.0, 1000.0, 4052.0, 8000.0])
@pytest.mark.parametrize("f_hz", [1.0, 10.0, 40.0, 90.0])
def test_jerk_of_a_sine_is_two_pi_f_times_its_amplitude(rate_hz, f_hz):
    # Analysis: A sin(wt) has the derivative A w cos(wt), r.m.s. A·2πf/√2 over whole periods.
    half = jerk.design(100.0, rate_hz).first_row
    t = np.arange(int(4 * rate_hz)) / rate_hz
    found = differentiate(9.81 + 3.0 * np.sin(2 * np.pi * f_hz * t), rate_hz)
    expected = 3.0 * 2 * np.pi * f_hz * np.cos(2 * np.pi * f_hz * t[half:-half])
    assert found == pytest.approx(expected, abs=1e-3 * 3.0 * 2 * np.pi * f_hz)
    periods = int((found.size / rate_hz) * f_hz)
    whole = found[: round(periods / f_hz * rate_hz)]
    assert rms(whole) == pytest.approx(3.0 * 2 * np.pi * f_hz / np.sqrt(2), rel=1e-3)


def test_above_the_edge_nothing_is_left():
    t = np.arange(16000) / 4000.0
    assert rms(differentiate(np.sin(2 * np.pi * 110.0 * t), 4000.0)) < 1e-4 * 2 * np.pi * 110.0


@pytest.mark.parametrize(("edge_hz", "rate_hz"), [(100.0, 4000.0), (50.0, 4000.0), (200.0, 8000.0), (100.0, 500.0)])
def test_white_noise_gives_the_jerk_of_an_ideal_edge(edge_hz, rate_hz):
    # Analysis: one-sided density N up to an ideal edge fc gives N·2π·√(fc³/3). The filter's own noise gain is exact
    # (Parseval); the simulated noise holds it to its statistical error.
    taps = jerk.design(edge_hz, rate_hz).taps
    density = 70e-6 * 9.80665
    ideal = density * 2 * np.pi * np.sqrt(edge_hz**3 / 3)
    assert density * np.sqrt(rate_hz / 2 * (taps @ taps)) == pytest.approx(ideal, rel=0.02)
    noise = np.random.default_rng(7).normal(0.0, density * np.sqrt(rate_hz / 2), int(120 * rate_hz))
    assert rms(differentiate(noise, rate_hz, edge_hz)) == pytest.approx(ideal, rel=0.03)


def test_density_of_jerk_is_that_of_acceleration_times_two_pi_f_squared():
    # scipy.signal.welch on both sides, 5 to 90 Hz (below, the window's own width shows).
    noise = np.random.default_rng(3).normal(size=400_000)
    half = jerk.design(100.0, 4000.0).first_row
    f_hz, before = signal.welch(noise[half:-half], 4000.0, nperseg=8000)
    _, after = signal.welch(differentiate(noise, 4000.0), 4000.0, nperseg=8000)
    inside = (f_hz >= 5) & (f_hz <= 90)
    assert after[inside] == pytest.approx(before[inside] * (2 * np.pi * f_hz[inside]) ** 2, rel=0.03)


def test_edges_that_cannot_be_are_refused():
    with pytest.raises(AnalysisError, match="needs a rate of 500 Hz or more"):
        jerk.design(200.0, 400.0)
    for edge_hz in (0.0, -5.0, float("nan")):
        with pytest.raises(CallError, match="too low"):
            jerk.design(edge_hz, 4000.0)
