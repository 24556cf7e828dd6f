"""Traces of a pass: what is drawn against numpy on the whole signal, and how."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.capture.reading import open_capture
from towertap.compare.sections.traces import TracesSection
from towertap.compare.sections.traces.trace import BINS, trace

UP = np.array([0.0, 0.0, 1.0])
RATE_HZ, SECONDS, TONE_HZ, AMPLITUDE = 1000.0, 12.0, 20.0, 2.0


@pytest.fixture
def tone(by_hand, make_capture):
    """A tone of 2 m/s² at 20 Hz on z, upon gravity."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    counts = np.zeros((t.size, 6))
    counts[:, 2] = (9.80665 + AMPLITUDE * np.sin(2 * np.pi * TONE_HZ * t)) / 9.80665 * 2048
    return make_capture(by_hand.recording(SECONDS, rate_hz=RATE_HZ, odr_hz=1000, counts=np.rint(counts).astype(int)))


def test_envelope_and_worst_second_of_a_tone(tone):
    with open_capture(tone) as capture:
        drawn = trace(capture, UP, worst_start_s=6.0)
    # Analysis: a sine of amplitude A has the jerk amplitude A·2πf; gravity is gone from both.
    for name, amplitude in (("acceleration", AMPLITUDE), ("jerk", AMPLITUDE * 2 * np.pi * TONE_HZ)):
        envelope = drawn.envelopes[name]
        assert envelope.low.size == envelope.high.size == BINS
        assert np.nanmax(envelope.high[400:500]) == pytest.approx(amplitude, rel=0.02)
        assert np.nanmin(envelope.low[400:500]) == pytest.approx(-amplitude, rel=0.02)
        assert np.isnan(envelope.low[0])  # still settling
        assert (envelope.worst_time_s[0], envelope.worst_time_s[-1]) == pytest.approx((6.0, 7.0), abs=0.002)
        assert envelope.worst.std() == pytest.approx(amplitude / np.sqrt(2), rel=0.02)


def test_the_envelope_is_numpys_over_the_worst_second(tone):
    with open_capture(tone) as capture:
        envelope = trace(capture, UP, worst_start_s=6.0).envelopes["jerk"]
    step = (envelope.worst_time_s / envelope.step_s).astype(int)
    for bin_number in np.unique(step)[1:-1]:
        values = envelope.worst[step == bin_number]
        assert envelope.low[bin_number] == values.min()
        assert envelope.high[bin_number] == values.max()


def test_traces_are_of_the_typical_passes_and_name_units_and_peaks(compared, styled, labels):
    """The pass of each side whose value is nearest to the side's mean, in the first finding of the road."""
    evidence = compared.evidence["traces"]
    (picture,) = TracesSection().pictures(evidence)
    finding = compared.findings[0]
    for side, drawn in evidence.drawn["quarry-lane"].items():
        mean = getattr(finding, side)
        nearest = min(getattr(finding, f"{side}_values"), key=lambda value: abs(np.log(value.value / mean)))
        assert drawn.capture == nearest.capture
    for panel in picture.panels:
        assert set(labels(panel)) == {"acceleration,\nm/s²", "jerk,\nm/s³", "time from the start of the recording, s"}
    assert "peak vertical jerk" in picture.title
