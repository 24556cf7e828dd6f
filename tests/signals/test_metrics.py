"""The table of metrics: every r.m.s. against the spectrum, every other value against analysis; metrics of our own."""

from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from scipy import signal
from towertap.signals.bands import BANDS
from towertap.signals.channels import ACCELERATIONS, BandPass, Channel, MetricSettings
from towertap.signals.metrics import LARGEST, METRICS, RMS, Metric, Statistic, mean_square
from towertap.signals.stream import Bank

from tests.signals import iso8041

RATE_HZ = 2000.0
SETTINGS = MetricSettings(RATE_HZ)
SECONDARY = BandPass(*BANDS["secondary"])


def whole(metric, *axes, window_s=1.0):
    """One metric of motion given axis by axis, (n,) each, over all windows, and the seconds that they cover."""
    bank = Bank.of({metric.name: metric}, SETTINGS)
    windows = bank.windows([np.array(axes)], round(window_s * RATE_HZ))
    return metric.of_all(windows.kept[metric.name]), len(windows) * window_s


def alike(name, acceleration):
    """One metric of the table, of a motion that is the same on all axes."""
    return whole(METRICS[name], acceleration, acceleration, acceleration)


def gain(name, f_hz):
    """What each metric does to the power at a frequency, by its definition."""
    band_hz = METRICS[name].band_hz(SETTINGS)
    if name.startswith("weighted"):
        return np.abs(iso8041.response("Wk" if name.endswith("z") else "Wd", f_hz)) ** 2
    if name.startswith("jerk"):
        return (2 * np.pi * f_hz) ** 2 * (f_hz < band_hz[1])
    low, high = band_hz
    return (f_hz >= low) & (f_hz <= high)


ROOT_MEAN_SQUARES = [name for name in METRICS if name not in ("mtvv_z", "vdv_z", "crest_factor_z")]


@pytest.mark.parametrize("name", ROOT_MEAN_SQUARES)
def test_rms_is_the_area_under_the_density(name):
    # scipy.signal.welch: power in a band is the integral of the density times the filter's power gain.
    acceleration = np.random.default_rng(2).normal(size=int(200 * RATE_HZ))
    f_hz, density = signal.welch(acceleration, RATE_HZ, nperseg=int(20 * RATE_HZ))
    expected = np.sqrt(np.sum(density[1:] * gain(name, f_hz[1:])) * f_hz[1])
    assert alike(name, acceleration)[0] == pytest.approx(expected, rel=0.06 if name == "primary_z" else 0.02)


def test_every_rms_metric_was_held_to_the_density():
    assert [name for name, metric in METRICS.items() if metric.statistic is RMS] == ROOT_MEAN_SQUARES
    assert len(ROOT_MEAN_SQUARES) == 13


def test_weighted_values_of_a_sine():
    # Analysis with the gain that ISO 2631-1 tabulates for Wk at 8 Hz, +0.31 dB: r.m.s. = MTVV = A/√2, crest √2,
    # VDV = A (3T/8)^(1/4), the time being that of the windows.
    amplitude = 1.5 * 10 ** (0.31 / 20)
    sine = 9.81 + 1.5 * np.sin(2 * np.pi * 8.0 * np.arange(int(20 * RATE_HZ)) / RATE_HZ)
    dose, seconds = alike("vdv_z", sine)
    assert dose == pytest.approx(amplitude * (3 * seconds / 8) ** 0.25, rel=2e-3)
    assert alike("weighted_z", sine)[0] == pytest.approx(amplitude / np.sqrt(2), rel=2e-3)
    assert alike("mtvv_z", sine)[0] == pytest.approx(amplitude / np.sqrt(2), rel=2e-3)
    assert alike("crest_factor_z", sine)[0] == pytest.approx(np.sqrt(2), rel=2e-3)


def test_the_largest_magnitude_of_a_real_accelerogram():
    # K-NET record shipped with obspy, read as plain text (obspy's own import warns). Its head, 17 lines, states both
    # the maximum acceleration and the scale.
    path = Path(find_spec("obspy").origin).parent / "io" / "nied" / "tests" / "data" / "test.knet"
    head, body = path.read_text().splitlines()[:17], path.read_text().splitlines()[17:]
    assert head[13].split() == ["Scale", "Factor", "2000(gal)/8388608"]
    assert head[14].split() == ["Max.", "Acc.", "(gal)", "4.383"]
    counts = np.array(" ".join(body).split(), float)
    assert counts.size == 5900
    for sign in (1, -1):
        kept = LARGEST.keep(sign * (counts - counts.mean()).reshape(1, 59, 100), 100.0)
        assert LARGEST.value(kept, np.ones(59)) * 2000 / 8388608 == pytest.approx(4.383, abs=5e-4)


@pytest.mark.parametrize("name", [name for name in METRICS if name != "mtvv_z"])
def test_short_windows_joined_are_the_long_ones(name):
    motion = np.random.default_rng(4).normal(size=(3, int(9 * RATE_HZ)))
    metric, bank = METRICS[name], Bank.of({name: METRICS[name]}, SETTINGS)
    long = metric.of_windows(bank.windows([motion], 2000).kept[name])
    cells = bank.windows([motion], 200).kept[name]
    assert metric.of_windows(cells, 10)[: long.size] == pytest.approx(long)
    # A stretch of two and a half cells, as a place of the road cuts them.
    share = np.array([1.0, 1.0, 0.5, 0.0])
    (part,) = np.atleast_1d(metric.statistic.value(cells[:, :4], share))
    most, least = (max(metric.of_windows(cells, n)[0] for n in (2, 3)), min(metric.of_windows(cells)[:3]))
    assert least * 0.9 <= part <= most * 1.1


def test_metrics_of_our_own_are_a_line_each():
    """Analysis: sines of three axes; a vector's magnitude, a level that 5 % of the windows exceed, a pitching body."""
    time_s = np.arange(int(44 * RATE_HZ)) / RATE_HZ
    three = tuple(Channel(axis, SECONDARY) for axis in ACCELERATIONS)
    magnitude = Metric("total", "all axes together", "m/s²", three)
    exceeded = Metric(
        "exceeded", "level that 5 % of the windows exceed", "m/s²", three[2:],
        Statistic(mean_square, lambda kept, share: np.sqrt(np.percentile(kept[0], 95, axis=-1))),
    )  # fmt: skip
    pitching = Metric("pitching", "pitch rate", "rad/s", (Channel("pitch", BandPass(0.5, 4.0)),))

    sine = np.sin(2 * np.pi * 10.0 * time_s)
    assert whole(magnitude, 2.0 * sine, 3.0 * sine, 6.0 * sine)[0] == pytest.approx(7.0 / np.sqrt(2), rel=7e-3)
    ramp = sine * np.sqrt(time_s)
    level, seconds = whole(exceeded, sine, sine, ramp)
    middle_s = Bank.of({"exceeded": exceeded}, SETTINGS).settled_row / RATE_HZ + 0.5 + 0.95 * (seconds - 1)
    assert level == pytest.approx(np.sqrt(middle_s / 2), rel=7e-3)
    still, turning = np.zeros_like(sine), 0.2 * np.sin(2 * np.pi * 1.5 * time_s)
    assert whole(pitching, still, still, still, still, turning, still)[0] == pytest.approx(0.2 / np.sqrt(2), rel=0.01)


def test_a_metric_of_what_is_not_recorded_is_left_out_with_the_reason():
    pitching = Metric("pitching", "pitch rate", "rad/s", (Channel("pitch", BandPass(0.5, 4.0)),))
    bank = Bank.of({"pitching": pitching, "jerk_z": METRICS["jerk_z"]}, SETTINGS, ACCELERATIONS)
    assert bank.left_out == {"pitching": "it listens to pitch, which this box does not record"}
    assert list(bank.metrics) == ["jerk_z"]


def test_a_signal_is_filtered_once_for_all_that_listen_to_it():
    bank = Bank.of({name: METRICS[name] for name in ("weighted_z", "vdv_z", "mtvv_z", "crest_factor_z")}, SETTINGS)
    assert len(bank.filters) == 1
    again = replace(METRICS["jerk_z"], name="again")
    assert len(Bank.of({"jerk_z": METRICS["jerk_z"], "again": again}, SETTINGS).filters) == 1


def test_names_are_keys_and_axes():
    for name, metric in METRICS.items():
        assert metric.name == name
        assert metric.axes == (name[-1],)
        low, high = metric.band_hz(SETTINGS)
        assert 0 <= low < high <= 0.4 * RATE_HZ


def test_acceleration_takes_what_the_rate_carries():
    assert METRICS["acceleration_z"].band_hz(MetricSettings(1000.0)) == (0.5, 400.0)
    assert METRICS["acceleration_z"].band_hz(MetricSettings(4000.0)) == (0.5, 500.0)
    assert METRICS["jerk_z"].band_hz(MetricSettings(4000.0, jerk_edge_hz=60.0)) == (0.0, 60.0)
