"""Signals at the rate that their filters need: what halving does to them, and filters against those at full rate."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from towertap.signals import halving
from towertap.signals.channels import MetricSettings
from towertap.signals.filters import Recursive
from towertap.signals.halving import FLAT, LEAD, LOWEST_RATE_HZ, Halving, halvings, taps
from towertap.signals.metrics import METRICS, THIRDS, Metric
from towertap.signals.stream import Bank

RATE_HZ = 4032.9
SETTINGS = MetricSettings(RATE_HZ)
ALL = METRICS | THIRDS


def response(metric, f_hz, rate_hz):
    made = metric.channels[0].design.make(SETTINGS, rate_hz)
    if isinstance(made, Recursive):
        return np.abs(signal.freqz_sos(made.sos, f_hz, fs=rate_hz)[1])
    return np.abs(signal.freqz(made.taps, 1, f_hz, fs=rate_hz)[1])


def rate_of(metric):
    return RATE_HZ / 2 ** halvings(metric.channels[0].design.carry_hz(SETTINGS), RATE_HZ)


def test_a_stage_passes_within_2e_5_and_folds_95_db_down():
    f, passed = signal.freqz(taps(), worN=100_001, fs=2.0)  # of the new rate
    assert np.abs(np.abs(passed[f <= FLAT]) - 1).max() < 2e-5
    assert 20 * np.log10(np.abs(passed[f >= 1 - FLAT]).max()) < -95


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(0, 3001), max_size=30))
def test_a_stage_is_scipys_filter_on_every_other_row_however_the_blocks_are_cut(cuts):
    # scipy.signal.upfirdn, after the first sample held before the start; rounding of single precision.
    motion = np.random.default_rng(3).normal(9.8, 1.0, (2, 3001))
    stage, edges = Halving(), [0, *sorted(cuts), 3001]
    halved = np.concatenate([stage(motion[:, a:b]) for a, b in pairwise(edges)], axis=1)
    before = np.concatenate([np.repeat(motion[:, :1], LEAD, axis=1), motion], axis=1)
    expected = signal.upfirdn(taps(), before, 1, 2, axis=1)[:, LEAD : LEAD + halved.shape[1]]
    assert halved.shape[1] == (3001 + LEAD - len(taps())) // 2 + 1
    assert halved == pytest.approx(expected, abs=2e-5)


def test_a_rate_is_halved_as_long_as_it_carries_what_is_needed():
    for carry_hz in (1.0, 100.0, 140.0, 200.0, 560.0, 1300.0):
        times = halvings(carry_hz, RATE_HZ)
        assert times == 0 or (RATE_HZ / 2**times >= LOWEST_RATE_HZ and carry_hz <= FLAT * RATE_HZ / 2**times)
        further = RATE_HZ / 2 ** (times + 1)
        assert further < LOWEST_RATE_HZ or carry_hz > FLAT * further


@pytest.mark.parametrize("name", [name for name in ALL if name[-1] == "z"])
def test_a_filter_at_its_own_rate_is_that_at_full_rate(name):
    """By the responses: the r.m.s. of white noise and of a density that falls with frequency, as motion's does."""
    rate_hz, low = rate_of(ALL[name]), max(0.5, ALL[name].band_hz(SETTINGS)[0])
    f_hz = np.geomspace(low / 8, RATE_HZ / 2, 100_001)
    own = np.where(f_hz < rate_hz / 2, response(ALL[name], np.minimum(f_hz, rate_hz / 2), rate_hz), 0.0)
    full = response(ALL[name], f_hz, RATE_HZ)
    for falls in (0.0, 1.0):
        density = f_hz**-falls
        level, expected = (np.sqrt(np.trapezoid(density * gain**2, f_hz)) for gain in (own, full))
        assert level == pytest.approx(expected, rel=1.2e-3)


def test_every_metric_of_three_minutes_is_that_at_full_rate(monkeypatch):
    """Of noise that falls with frequency over white noise, through the whole way, the same windows."""
    rng, rows = np.random.default_rng(2), round(180 * RATE_HZ)
    motion = np.tile(0.01 * np.cumsum(rng.normal(size=rows)) + 0.1 * rng.normal(size=rows), (3, 1))
    values = []
    for levels in (halving.halvings, lambda carry_hz, rate_hz: 0):
        monkeypatch.setattr("towertap.signals.stream.halvings", levels)
        bank = Bank.of(ALL, SETTINGS)
        monkeypatch.setattr(bank.__class__, "settled_row", 14_000)
        windows = bank.windows([motion], round(RATE_HZ))
        values.append({name: metric.of_all(windows.kept[name]) for name, metric in ALL.items()})
    assert values[0] == pytest.approx(values[1], rel=1e-3)


@pytest.mark.parametrize("name", ["acceleration_z", "weighted_z", "jerk_z", "secondary_z", "harshness_z", "third_80_z"])
def test_a_line_anywhere_reads_as_at_full_rate_and_none_is_folded_in(name, monkeypatch):
    """Through the whole way: a line in the band, and lines that halving would fold into it, on a full-rate bank."""
    metric, rate_hz = ALL[name], rate_of(ALL[name])
    low, high = metric.band_hz(SETTINGS)
    lines_hz = [np.sqrt(max(low, 1.0) * high), 0.8 * high, *(rate_hz * k - 0.5 * high for k in range(1, 4))]
    time_s = np.arange(int(8 * RATE_HZ)) / RATE_HZ

    def levels():
        bank = Bank.of({name: metric}, SETTINGS)
        for f_hz in lines_hz:
            if f_hz < RATE_HZ / 2:
                sine = np.sin(2 * np.pi * f_hz * time_s) * np.clip(time_s, 0, 1)  # an onset is no line
                yield metric.of_all(bank.windows([np.tile(sine, (3, 1))], round(RATE_HZ)).kept[name])

    own = list(levels())
    monkeypatch.setattr("towertap.signals.stream.halvings", lambda carry_hz, rate_hz: 0)
    full = list(levels())
    assert own[:2] == pytest.approx(full[:2], rel=4e-3)  # a steep edge has its ripple elsewhere
    # What is folded comes out as a line of the band, 80 dB down or more; jerk turns it into 2π f of it.
    turned = 2 * np.pi * 0.5 * high if name.startswith("jerk") else 1.0
    for folded, there in zip(own[2:], full[2:], strict=True):
        assert folded < there + 1e-4 * turned / np.sqrt(2)


def test_the_rates_of_4_khz():
    rates = {name: round(rate_of(metric)) for name, metric in ALL.items()}
    assert rates["acceleration_x"] == rates["structure_borne_z"] == 2016
    assert rates["weighted_z"] == rates["mtvv_z"] == 1008
    assert rates["jerk_x"] == rates["primary_z"] == rates["secondary_z"] == rates["harshness_z"] == 504
    assert rates["third_500_z"] == 4033


def test_a_metric_of_several_filters_has_them_all_at_the_highest_rate_that_one_needs():
    channels = (METRICS["weighted_z"].channels[0], METRICS["acceleration_z"].channels[0])
    bank = Bank.of({"both": Metric("both", "", "m/s²", channels), "jerk_z": METRICS["jerk_z"]}, SETTINGS)
    assert {tap.halvings for tap in bank.taps["both"]} == {1}
    assert {tap.halvings for tap in bank.taps["jerk_z"]} == {3}


@pytest.mark.parametrize(("window_s", "within"), [(0.1, 0.01), (0.37, 0.005), (1.0, 0.003)])
def test_windows_begin_at_the_same_moments_at_every_rate(window_s, within, monkeypatch):
    """A level that rises with time is read by every window; the full-rate bank cuts at whole rows."""
    rng = np.random.default_rng(5)
    motion = np.tile(rng.normal(size=int(12 * RATE_HZ)) * np.linspace(0, 5, int(12 * RATE_HZ)), (3, 1))
    names = ("weighted_z", "jerk_z", "secondary_z")
    tables = []
    for levels in (halving.halvings, lambda carry_hz, rate_hz: 0):
        monkeypatch.setattr("towertap.signals.stream.halvings", levels)
        bank = Bank.of({name: METRICS[name] for name in names}, SETTINGS)
        monkeypatch.setattr(bank.__class__, "settled_row", 14_000)
        windows = bank.windows([motion], round(window_s * RATE_HZ))
        tables.append({name: METRICS[name].of_windows(windows.kept[name]) for name in names})
    for name in names:
        own, full = (table[name] for table in tables)
        count = min(own.size, full.size)
        assert count >= int((12 - 14_000 / RATE_HZ - 0.4) / window_s)
        assert np.median(np.abs(own[:count] / full[:count] - 1)) < within
