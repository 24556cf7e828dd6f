"""The envelope that `towertap show` draws, against numpy on the whole signal."""

import numpy as np
import pytest
from towertap.capture.reading import open_capture
from towertap.cli._envelope import STEPS, envelope

UP = np.array([0.0, 0.0, 1.0])
RATE_HZ, SECONDS, TONE_HZ, AMPLITUDE = 1000.0, 12.0, 20.0, 2.0


def test_the_envelope_of_a_tone_is_its_amplitude(by_hand, make_capture):
    """A tone of 2 m/s² at 20 Hz on z; gravity is filtered out."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    counts = np.zeros((t.size, 6))
    counts[:, 2] = (9.80665 + AMPLITUDE * np.sin(2 * np.pi * TONE_HZ * t)) / 9.80665 * 2048
    path = make_capture(by_hand.recording(rate_hz=RATE_HZ, counts=counts))
    with open_capture(path) as capture:
        drawn = envelope(capture, UP)
    assert drawn.low.size == drawn.high.size == STEPS
    assert drawn.step_s == pytest.approx(SECONDS / STEPS, rel=0.01)
    assert np.isnan(drawn.low[0])  # still settling
    # extremes of the tone within steps of 20 ms, which hold 20 samples
    for start in (400, 480):
        assert drawn.high[start : start + 50].max() == pytest.approx(AMPLITUDE, rel=0.02)
        assert drawn.low[start : start + 50].min() == pytest.approx(-AMPLITUDE, rel=0.02)
