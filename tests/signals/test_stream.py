"""Pieces by blocks: figures of windows against analysis, whatever the blocks."""

from dataclasses import astuple
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from towertap.signals import bands, jerk
from towertap.signals.filters import SETTLED, Recursive, Symmetric
from towertap.signals.metrics.weighted import wk
from towertap.signals.stream import Channel, piece_windows, settled_row
from towertap.signals.summary import mtvv, rms, running_rms, vdv

RATE_HZ = 500.0
CHANNELS = [
    Channel(0, bands.design((0.5, 200.0), RATE_HZ)),
    Channel(1, wk((0.4, 100.0), RATE_HZ), running=True),
    Channel(1, jerk.design(100.0, RATE_HZ)),
]
SIGNAL = np.random.default_rng(11).normal(size=(2, 4000)) + np.array([[0.0], [9.81]])


class Same:
    """A filter that does nothing, to see the windows themselves."""

    first_row = 0
    settled_row = 0

    def start(self):
        return lambda block: block


def flat(found):
    return np.array([astuple(windows) for windows in found])


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(0, 4000), max_size=30))
def test_figures_do_not_depend_on_the_blocks(cuts):
    once = flat(piece_windows([SIGNAL], CHANNELS, RATE_HZ, 500))
    assert once.shape == (3, 4, (4000 - settled_row(CHANNELS) - CHANNELS[2].filter.first_row) // 500)
    edges = [0, *sorted(cuts), 4000]
    blocks = [SIGNAL[:, a:b] for a, b in pairwise(edges)]
    assert flat(piece_windows(blocks, CHANNELS, RATE_HZ, 500)) == pytest.approx(once, rel=1e-9, nan_ok=True)
    assert np.isnan(once[:, 3]).all(axis=1).tolist() == [not channel.running for channel in CHANNELS]


@given(seconds=st.floats(0.0, 12.0), window_rows=st.integers(50, 2000))
def test_windows_are_full_and_the_same_for_every_channel(seconds, window_rows):
    rows = round(seconds * RATE_HZ)
    found = piece_windows([np.zeros((2, rows))], CHANNELS, RATE_HZ, window_rows)
    usable = rows - settled_row(CHANNELS) - CHANNELS[2].filter.first_row
    assert [len(windows) for windows in found] == 3 * [max(0, usable // window_rows)]


def test_windows_of_a_sine():
    # Analysis: mean square A²/2; integral of the fourth power 3/8·A⁴·T; magnitude A; running r.m.s. A/√2 once the
    # signal is 1 s long, so in the second half-second window but not the first.
    sine = 3.0 * np.sin(2 * np.pi * 10.0 * np.arange(2000) / RATE_HZ + 0.1)
    (windows,) = piece_windows([sine[None, :]], [Channel(0, Same(), running=True)], RATE_HZ, 250)
    assert windows.mean_square == pytest.approx(np.full(8, 4.5))
    assert windows.fourth_power == pytest.approx(np.full(8, 3 / 8 * 81 * 0.5))
    assert windows.peak == pytest.approx(np.full(8, 3.0), rel=0.01)
    assert np.isnan(windows.running[0])
    assert windows.running[1:] == pytest.approx(np.full(7, np.sqrt(4.5)))


def test_running_rms_reaches_back_over_windows_and_blocks():
    # The definition over the signal at once: row i has the second that ends there.
    running = np.concatenate([np.full(499, -np.inf), running_rms(SIGNAL[0], RATE_HZ)])
    blocks = [SIGNAL[:, a : a + 330] for a in range(0, 4000, 330)]
    (windows,) = piece_windows(blocks, [Channel(0, Same(), running=True)], RATE_HZ, 100)
    assert windows.running[5:] == pytest.approx(running.reshape(-1, 100).max(axis=1)[5:])
    assert np.isnan(windows.running[:4]).all()


def test_the_peak_is_the_largest_magnitude_of_either_sign():
    for signal in (SIGNAL[:1], -SIGNAL[:1]):
        (windows,) = piece_windows([signal], [Channel(0, Same(), running=True)], RATE_HZ, 250)
        assert (windows.peak == np.abs(signal[0]).reshape(-1, 250).max(axis=1)).all()


def test_the_whole_is_what_the_signal_at_once_gives():
    (windows,) = piece_windows([SIGNAL[:, :700], SIGNAL[:, 700:]], [Channel(0, Same(), running=True)], RATE_HZ, 250)
    whole = windows.whole()
    assert np.sqrt(whole.mean_square) == pytest.approx(rms(SIGNAL[0]))
    assert whole.fourth_power**0.25 == pytest.approx(vdv(SIGNAL[0], RATE_HZ))
    assert whole.peak == np.abs(SIGNAL[0]).max()
    assert whole.running == pytest.approx(mtvv(SIGNAL[0], RATE_HZ))


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
