"""Pieces by blocks: windows against analysis, whatever the blocks."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from towertap.signals import bands
from towertap.signals.channels import BandPass, Channel, Derivative, MetricSettings, Weighted
from towertap.signals.filters import SETTLED, Recursive, Symmetric
from towertap.signals.metrics import DOSE, LARGEST, RMS, Metric
from towertap.signals.stream import Bank, RunningRms, Tap

RATE_HZ = 500.0
BANK = Bank.of(
    {
        "band": Metric("band", "", "", (Channel("x", BandPass(0.5, 200.0)),)),
        "running": Metric("running", "", "", (Channel("y", Weighted("Wk"), running_s=1.0),), LARGEST),
        "jerk": Metric("jerk", "", "", (Channel("y", Derivative()),)),
    },
    MetricSettings(RATE_HZ),
)
JERK = BANK.filters[Tap(Channel("y", Derivative()), 0)]
SIGNAL = np.random.default_rng(11).normal(size=(2, 4000)) + np.array([[0.0], [9.81]])


class Same:
    """A design of a filter that does nothing, to see the windows themselves."""

    unit, skirt, first_row, settled_row = "", "", 0, 0

    def band_hz(self, settings):
        return 0.0, 1.0

    def carry_hz(self, settings):
        return settings.rate_hz / 2

    def make(self, settings, rate_hz):
        return self

    def start(self):
        return lambda block: block


def windows_of(blocks, statistic, window_rows, running_s=0.0):
    """The values of windows of a signal, one axis, (1, n) a block, that is not filtered."""
    metric = Metric("m", "", "", (Channel("x", Same(), running_s),), statistic)
    return metric.of_windows(Bank.of({"m": metric}, MetricSettings(RATE_HZ)).windows(blocks, window_rows).kept["m"])


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(0, 4000), max_size=30))
def test_windows_do_not_depend_on_the_blocks(cuts):
    once = BANK.windows([SIGNAL], 500).values
    assert once.shape == (4, (4000 - BANK.settled_row - JERK.first_row) // 500)
    edges = [0, *sorted(cuts), 4000]
    blocks = [SIGNAL[:, a:b] for a, b in pairwise(edges)]
    assert BANK.windows(blocks, 500).values == pytest.approx(once, rel=1e-6, nan_ok=True)


@given(seconds=st.floats(0.0, 12.0), window_rows=st.integers(50, 2000))
def test_windows_are_full_and_the_same_for_every_metric(seconds, window_rows):
    rows = round(seconds * RATE_HZ)
    windows = BANK.windows([np.zeros((2, rows))], window_rows)
    usable = rows - BANK.settled_row - JERK.first_row
    assert {kept.shape[1] for kept in windows.kept.values()} == {max(0, usable // window_rows)} == {len(windows)}


def test_windows_of_a_sine():
    # Analysis: mean square A²/2; integral of the fourth power 3/8·A⁴·T; magnitude A; running r.m.s. A/√2 once the
    # signal is 1 s long, so in the second half-second window but not the first.
    sine = [3.0 * np.sin(2 * np.pi * 10.0 * np.arange(2000) / RATE_HZ + 0.1)[None, :]]
    assert windows_of(sine, RMS, 250) ** 2 == pytest.approx(np.full(8, 4.5))
    assert windows_of(sine, DOSE, 250) ** 4 == pytest.approx(np.full(8, 3 / 8 * 81 * 0.5))
    assert windows_of(sine, LARGEST, 250) == pytest.approx(np.full(8, 3.0), rel=0.01)
    running = windows_of(sine, LARGEST, 250, running_s=1.0)
    assert np.isnan(running[0])
    assert running[1:] == pytest.approx(np.full(7, np.sqrt(4.5)))


def test_running_rms_reaches_back_over_windows_and_blocks():
    # The definition, ISO 2631-1 equation 2: row i has the second that ends there.
    seconds = np.lib.stride_tricks.sliding_window_view(SIGNAL[0], 500)
    running = np.concatenate([np.full(499, -np.inf), np.sqrt((seconds**2).mean(axis=1))])
    blocks = [SIGNAL[:1, a : a + 330] for a in range(0, 4000, 330)]
    found = windows_of(blocks, LARGEST, 100, running_s=1.0)
    assert found[5:] == pytest.approx(running.reshape(-1, 100).max(axis=1)[5:])
    assert np.isnan(found[:4]).all()


def test_a_burst_that_the_whole_hides_is_in_the_largest_second():
    # Analysis: a burst of 1 s in 10 s of silence; the best second is all burst.
    burst = np.zeros(5000)
    burst[1500:2000] = 2.0 * np.sin(2 * np.pi * 8.0 * np.arange(500) / RATE_HZ)
    running = RunningRms(500)(burst)
    assert np.nanmax(running) == pytest.approx(2.0 / np.sqrt(2))
    assert np.nanargmax(running) == 1999
    assert running[499] == 0.0
    assert np.isnan(running[:499]).all()


@pytest.mark.parametrize("sign", [1, -1])
def test_the_peak_is_the_largest_magnitude_of_either_sign(sign):
    expected = np.abs(SIGNAL[0]).reshape(-1, 250).max(axis=1)
    assert (windows_of([sign * SIGNAL[:1]], LARGEST, 250) == expected.astype(np.float32)).all()


@pytest.mark.parametrize("band_hz", [(0.5, 4.0), (4.0, 25.0), (0.5, 500.0)])
def test_a_settled_filter_has_forgotten_its_start(band_hz):
    # Two runs that differ only in their first quarter second: their outputs' difference has died down to a few times
    # SETTLED (several poles add up) when the filter says so, and is far above that well before.
    design = bands.design(band_hz, 4000.0)
    drive = np.random.default_rng(5).normal(size=40_000)
    other = drive.copy()
    other[: max(4, design.settled_row // 16)] += 1.0
    difference = np.abs(design.start()(drive) - design.start()(other))
    assert difference[design.settled_row :].max() < 3 * SETTLED * difference.max()
    assert difference[design.settled_row // 8 : design.settled_row // 2].max() > SETTLED * difference.max()


def test_recursive_and_symmetric_keep_row_numbers():
    # An impulse at row 300 comes out of a symmetric filter centred on row 300.
    impulse = np.zeros(1000)
    impulse[300] = 1.0
    smooth = Symmetric(np.hanning(41))
    assert smooth.start()(impulse).argmax() + smooth.first_row == 300
    assert Recursive(np.array([[1.0, 0, 0, 1.0, 0.5, 0]])).start()(impulse).argmax() == 300
