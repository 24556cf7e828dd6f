"""The sound of two stretches: tones of known amplitude, measured by scipy's spectrum."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from towertap.errors import AnalysisError
from towertap.signals.sound import FADE_S, SILENCE_S, SOUND_HZ, TONE_S, TURNS, in_turns


def tone(hz, size, rate_hz=4000.0, seconds=2.0):
    return 9.8 + size * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate_hz)) / rate_hz)


def stretches(sound, seconds):
    """The stretches between the tones and silences, in order."""
    lead, pause, length = round((TONE_S + SILENCE_S) * SOUND_HZ), round(SILENCE_S * SOUND_HZ), round(seconds * SOUND_HZ)
    starts = [lead + k * (lead + length + pause) for k in range(2 * TURNS)]
    return [sound[start : start + length] / 32767 for start in starts]


def amplitude(values, hz):
    frequency_hz, power = signal.periodogram(values, SOUND_HZ, "hann", scaling="spectrum")
    return np.sqrt(2 * power[np.abs(frequency_hz - hz) < 2].sum() / 1.5)


def test_before_and_after_alternate_at_the_same_gain():
    sound = in_turns(tone(80, 3.0), 4000.0, tone(80, 1.0), 4000.0)
    before, after, before_again, after_again = stretches(sound, 2.0)
    assert np.array_equal(before, before_again)
    assert np.array_equal(after, after_again)
    assert amplitude(before, 80) == pytest.approx(0.5, rel=0.05)  # half of full scale, less the fades
    assert amplitude(before, 80) / amplitude(after, 80) == pytest.approx(3, rel=1e-3)
    assert np.abs(sound).max() <= 0.51 * 32767


def test_inaudible_frequencies_are_removed_and_the_pitch_stays():
    slow, fast = in_turns(tone(3, 5.0) + tone(120, 1.0), 4000.0, tone(120, 1.0, 500.0), 500.0), 120
    before, after, *_ = stretches(slow, 2.0)
    assert amplitude(before, 3) < 1e-3
    assert amplitude(before, fast) == pytest.approx(amplitude(after, fast), rel=0.01)  # two rates, one pitch and size


def test_stretches_fade_and_follow_a_tone():
    sound = in_turns(tone(80, 1.0), 4000.0, tone(80, 1.0), 4000.0) / 32767
    first, *_ = stretches(sound * 32767, 2.0)
    rows = round(FADE_S * SOUND_HZ)
    assert np.abs(first[: rows // 10]).max() < 0.02
    assert np.abs(first[-rows // 10 :]).max() < 0.02
    length = round(TONE_S * SOUND_HZ)
    second = 2 * length + round((2.0 + 2 * SILENCE_S) * SOUND_HZ) - length
    for start, hz in ((0, 440), (second, 660)):
        frequency_hz, power = signal.periodogram(sound[start : start + length], SOUND_HZ, "hann")
        assert frequency_hz[power.argmax()] == pytest.approx(hz, abs=5)


@pytest.mark.parametrize(
    ("values", "rate_hz", "says"),
    [
        (tone(30, 1, 100.0), 100.0, "carries nothing to hear"),
        (np.ones(4000), 4000.0, "nothing moves"),
        (np.ones(20), 4000.0, "too short"),
    ],
)
def test_values_that_give_no_sound_are_refused(values, rate_hz, says):
    with pytest.raises(AnalysisError, match=says):
        in_turns(values, rate_hz, values, rate_hz)
