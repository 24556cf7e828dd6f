"""The table of metrics: every r.m.s. against the spectrum, every other figure against analysis."""

import numpy as np
import pytest
from scipy import signal
from towertap.signals import weighting
from towertap.signals.bands import BANDS
from towertap.signals.metrics import METRICS, Settings
from towertap.signals.stream import Channel, piece_windows

RATE_HZ = 2000.0
SETTINGS = Settings(RATE_HZ)


def whole(name, acceleration):
    """One metric of one axis (n,), over all windows of 1 s, and the rows that it covers."""
    metric = METRICS[name]
    channel = Channel(0, metric.make_filter(metric.band_hz(SETTINGS), RATE_HZ), metric.running)
    (windows,) = piece_windows([acceleration[None, :]], [channel], RATE_HZ, int(RATE_HZ))
    return float(metric.figure(windows.whole())[0]), len(windows)


def gain(name, f_hz):
    """What each metric does to the power at a frequency, by its definition."""
    band_hz = METRICS[name].band_hz(SETTINGS)
    if name.startswith("weighted"):
        return np.abs(weighting.response("Wk" if name.endswith("z") else "Wd", f_hz)) ** 2
    if name.startswith("jerk"):
        return (2 * np.pi * f_hz) ** 2 * (f_hz < band_hz[1])
    return (
        np.abs(signal.sosfreqz(signal.butter(3, band_hz, "bandpass", fs=RATE_HZ, output="sos"), f_hz, fs=RATE_HZ)[1])
        ** 2
    )


RMS = [name for name in METRICS if name.split("_")[0] in {"acceleration", "weighted", "jerk", *BANDS, "structure"}]


@pytest.mark.parametrize("name", RMS)
def test_rms_is_the_area_under_the_density(name):
    # scipy.signal.welch: power in a band is the integral of the density times the filter's power gain.
    acceleration = np.random.default_rng(2).normal(size=int(200 * RATE_HZ))
    f_hz, density = signal.welch(acceleration, RATE_HZ, nperseg=int(20 * RATE_HZ))
    expected = np.sqrt(np.sum(density[1:] * gain(name, f_hz[1:])) * f_hz[1])
    assert whole(name, acceleration)[0] == pytest.approx(expected, rel=0.04 if name == "primary_z" else 0.02)


def test_every_rms_metric_was_held_to_the_density():
    assert set(METRICS) - set(RMS) == {"mtvv_z", "vdv_z", "crest_factor_z"}
    assert len(RMS) == 13


def test_weighted_figures_of_a_sine():
    # Analysis with the gain that ISO 2631-1 tabulates for Wk at 8 Hz, +0.31 dB: r.m.s. = MTVV = A/√2, crest √2,
    # VDV = A (3T/8)^(1/4), the time being that of the windows.
    amplitude = 1.5 * 10 ** (0.31 / 20)
    sine = 9.81 + 1.5 * np.sin(2 * np.pi * 8.0 * np.arange(int(20 * RATE_HZ)) / RATE_HZ)
    dose, seconds = whole("vdv_z", sine)
    assert dose == pytest.approx(amplitude * (3 * seconds / 8) ** 0.25, rel=2e-3)
    assert whole("weighted_z", sine)[0] == pytest.approx(amplitude / np.sqrt(2), rel=2e-3)
    assert whole("mtvv_z", sine)[0] == pytest.approx(amplitude / np.sqrt(2), rel=2e-3)
    assert whole("crest_factor_z", sine)[0] == pytest.approx(np.sqrt(2), rel=2e-3)


def test_names_are_keys_and_axes():
    for name, metric in METRICS.items():
        assert metric.name == name
        assert metric.axis == name[-1]
        low, high = metric.band_hz(SETTINGS)
        assert 0 <= low < high <= 0.4 * RATE_HZ


def test_acceleration_takes_what_the_rate_carries():
    assert METRICS["acceleration_z"].band_hz(Settings(1000.0)) == (0.5, 400.0)
    assert METRICS["acceleration_z"].band_hz(Settings(4000.0)) == (0.5, 500.0)
    assert METRICS["jerk_z"].band_hz(Settings(4000.0, jerk_edge_hz=60.0)) == (0.0, 60.0)
