"""The rate fit against simulated truth, and against statsmodels where both apply."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from towertap.capture.rate import BATCHES, HUBER_C, NORMAL_75, T_975, Readings, drift_of, fit_rate
from towertap.wire.layouts import LAYOUTS


def readings(rng, seconds, rate_hz, how):
    """(newest sample, clock in µs) as a box reads them: the clock a little after the watermark's last sample."""
    n = int(seconds * rate_hz / 32)
    due_s = (32 * np.arange(1, n + 1) - 1) / rate_hz
    if how == "interrupt":  # like the firmware: at once, or occasionally after a stall
        late_s = rng.exponential(20e-6, n) + (rng.random(n) < 0.02) * rng.uniform(0, 6e-3, n)
    elif how == "polled":
        late_s = rng.uniform(0, 1e-3, n)
    else:  # a loop of fixed length, whose phase drifts through the sample period
        loop_s = 1e-3 * rng.uniform(0.9, 1.1)
        late_s = np.ceil(due_s / loop_s) * loop_s - due_s
    clock_s = due_s + late_s
    return np.floor(clock_s * rate_hz + 1e-9).astype(np.int64), np.floor(clock_s * 1e6).astype(np.int64)


@pytest.mark.parametrize("how", ["interrupt", "polled", "loop"])
def test_the_95_percent_interval_contains_the_truth_in_95_percent(how):
    rng = np.random.default_rng(11)
    rates = 4000 * (1 + rng.uniform(-0.02, 0.02, 300))
    fits = [fit_rate(*(data := readings(rng, 15, rate, how)), np.zeros(len(data[0]))) for rate in rates]
    coverage = np.mean([fit.low_hz <= rate <= fit.high_hz for fit, rate in zip(fits, rates, strict=True)])
    # binomial: 300 trials at 0.95 fall below 0.915 in 0.5 % of cases
    assert coverage >= 0.915
    assert max(abs(fit.rate_hz / rate - 1) for fit, rate in zip(fits, rates, strict=True)) < 5e-6


def test_slope_is_statsmodels_huber_slope():
    newest, clock_us = readings(np.random.default_rng(4), 20, 4052.0, "interrupt")
    fit = fit_rate(newest, clock_us, np.zeros(len(newest)))
    huber = sm.RLM(clock_us.astype(float), sm.add_constant(newest.astype(float)), sm.robust.norms.HuberT(HUBER_C)).fit()
    assert 1e6 / fit.rate_hz == pytest.approx(huber.params[1], rel=2e-9)


def test_stretches_share_the_rate_but_not_the_offset():
    rng = np.random.default_rng(5)
    parts = [readings(rng, 10, 4052.0, "interrupt") for _ in range(3)]
    newest, clock_us = (np.concatenate(column) for column in zip(*parts, strict=True))
    fit = fit_rate(newest, clock_us, np.repeat([0, 1, 2], [len(part[0]) for part in parts]))
    assert fit.rate_hz == pytest.approx(4052.0, rel=1e-6)
    assert fit.low_hz < 4052.0 < fit.high_hz


def test_outliers_have_little_influence():
    newest, clock_us = readings(np.random.default_rng(6), 20, 4052.0, "interrupt")
    clock_us[::50] += 30_000
    assert fit_rate(newest, clock_us, np.zeros(len(newest))).rate_hz == pytest.approx(4052.0, rel=1e-6)


def test_the_drift_of_a_warming_chip_is_found_with_its_temperature():
    # a rate that rises evenly by 90 ppm, from 4052 Hz, while the chip warms evenly by 9 °C
    seconds, rate_hz, rise = 60, 4052.0, 90e-6
    newest = 32 * np.arange(1, seconds * 126) - 1
    due_s = newest / rate_hz * (1 - rise * newest / newest[-1] / 2)
    clock_us = np.floor((due_s + np.random.default_rng(7).exponential(20e-6, len(due_s))) * 1e6).astype(np.int64)
    # data sheet DS-000347, 4.13: 132.48 counts per °C
    warmth = np.rint(np.linspace(0, 9 * 132.48, len(newest))).astype(np.int16)
    drift = drift_of(Readings(newest, clock_us, np.zeros(len(newest)), warmth), LAYOUTS[1])
    # the middles of the first and the last third are two thirds of it apart
    assert drift.ppm == pytest.approx(60, abs=drift.half_ppm)
    assert drift.half_ppm < 10
    assert drift.temperature_c == pytest.approx(6, abs=0.01)
    silent = np.full(len(newest), -32768)
    assert drift_of(Readings(newest, clock_us, np.zeros(len(newest)), silent), LAYOUTS[1]).temperature_c is None


def test_too_few_frames_give_no_rate():
    assert fit_rate(np.arange(15), np.arange(15), np.zeros(15)) is None
    assert fit_rate(np.full(40, 7), np.arange(40), np.zeros(40)) is None
    assert fit_rate(np.arange(40), np.arange(40)[::-1], np.zeros(40)) is None
    assert drift_of(Readings(*np.arange(4 * 40).reshape(4, 40)), LAYOUTS[1]) is None


def test_the_constants_are_scipys():
    assert pytest.approx(stats.t.ppf(0.975, BATCHES - 2), rel=1e-9) == T_975
    assert pytest.approx(stats.norm.ppf(0.75), rel=1e-12) == NORMAL_75
