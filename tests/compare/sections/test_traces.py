"""Traces of a pass: what is drawn against numpy on the whole signal."""

import numpy as np
import pandas as pd
import pytest
from scipy import signal
from towertap.capture.reading import open_capture
from towertap.report import drawn

UP = np.array([0.0, 0.0, 1.0])
RATE_HZ, SECONDS, TONE_HZ, AMPLITUDE = 1000.0, 12.0, 20.0, 2.0


@pytest.fixture
def tone(by_hand, make_capture):
    """A tone of 2 m/s² at 20 Hz on z, upon gravity."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    counts = np.zeros((t.size, 6))
    counts[:, 2] = (9.80665 + AMPLITUDE * np.sin(2 * np.pi * TONE_HZ * t)) / 9.80665 * 2048
    return make_capture(by_hand.recording(SECONDS, rate_hz=RATE_HZ, odr_hz=1000, counts=np.rint(counts).astype(int)))


def test_the_density_of_a_capture_is_scipys_from_its_first_window_on(tone):
    windows = pd.DataFrame({"piece": 0, "start_s": [3.0, 4.0, 5.0]})
    with open_capture(tone) as capture:
        frequency, density = drawn.density(capture, UP, windows)
        whole = np.concatenate(list(capture.blocks(capture.pieces()[0]))) @ UP
        compared = whole[round(3 * capture.rate_hz) :]
        expected = signal.welch(compared, capture.rate_hz, nperseg=round(2 * capture.rate_hz))
        carried = expected[0] <= 0.4 * capture.rate_hz
    np.testing.assert_allclose(frequency, expected[0][carried], rtol=1e-12)
    np.testing.assert_allclose(density, expected[1][carried], rtol=1e-9, atol=1e-18)


def test_envelope_and_worst_second_of_a_tone(tone):
    with open_capture(tone) as capture:
        trace = drawn.trace(capture, UP, worst_start_s=6.0)
    # Analysis: a sine of amplitude A has the jerk amplitude A·2πf; gravity is gone from both.
    for name, amplitude in (("acceleration", AMPLITUDE), ("jerk", AMPLITUDE * 2 * np.pi * TONE_HZ)):
        curve = trace.curves[name]
        assert curve.low.size == curve.high.size == drawn.BINS
        assert np.nanmax(curve.high[400:500]) == pytest.approx(amplitude, rel=0.02)
        assert np.nanmin(curve.low[400:500]) == pytest.approx(-amplitude, rel=0.02)
        assert np.isnan(curve.low[0])  # still settling
        assert (curve.worst_time_s[0], curve.worst_time_s[-1]) == pytest.approx((6.0, 7.0), abs=0.002)
        assert curve.worst.std() == pytest.approx(amplitude / np.sqrt(2), rel=0.02)


def test_the_envelope_is_numpys_over_the_worst_second(tone):
    with open_capture(tone) as capture:
        curve = drawn.trace(capture, UP, worst_start_s=6.0).curves["jerk"]
    step = (curve.worst_time_s / curve.step_s).astype(int)
    for bin_number in np.unique(step)[1:-1]:
        values = curve.worst[step == bin_number]
        assert curve.low[bin_number] == values.min()
        assert curve.high[bin_number] == values.max()
