"""Two stretches of motion as one sound to compare by ear: alternating, at the same gain, with a tone before each."""

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.filters import CARRIED, Array
from towertap.signals.resampling import resample

SOUND_HZ = 48000
"""Sample rate of the sound."""
LOWEST_HZ = 20.0
"""Lower frequencies are inaudible and strain loudspeakers."""
PEAK = 0.5
"""Peak of the louder stretch, of full scale: 6 dB of headroom."""
QUIETEST_MS2 = 1e-6
TURNS = 2
"""How often before and after are played."""
FADE_S, SILENCE_S, TONE_S = 0.05, 0.25, 0.2
TONES_HZ = (440.0, 660.0)
"""The tones that announce before and after."""
TONE_PEAK = 0.05


def in_turns(before: Array, before_hz: float, after: Array, after_hz: float) -> NDArray[np.int16]:
    """Before, after, before, after as sound (n,) at SOUND_HZ, from accelerations (m,) and (k,) with their rates.

    Both have the same gain, so louder means more. A low tone announces before, a high one after. AnalysisError if there
    is nothing to hear.
    """
    stretches = [_audible(before, before_hz), _audible(after, after_hz)]
    peak = max(float(np.abs(stretch).max(initial=0)) for stretch in stretches)
    if not peak > QUIETEST_MS2:
        raise AnalysisError("nothing moves there: there is nothing to hear")
    gain = PEAK / peak
    silence, tone_s = np.zeros(round(SILENCE_S * SOUND_HZ)), np.arange(round(TONE_S * SOUND_HZ)) / SOUND_HZ
    turn = [
        part
        for stretch, hz in zip(stretches, TONES_HZ, strict=True)
        for part in (_faded(TONE_PEAK * np.sin(2 * np.pi * hz * tone_s)), silence, gain * stretch, silence)
    ]
    return np.rint(32767 * np.concatenate(TURNS * turn)).astype(np.int16)


def _audible(values: Array, rate_hz: float) -> Array:
    """Values above LOWEST_HZ, at SOUND_HZ, faded, without delay."""
    if CARRIED * rate_hz <= 2 * LOWEST_HZ:
        raise AnalysisError(f"a rate of {rate_hz:.4g} Hz carries nothing to hear: it takes more than 100 Hz")
    if values.size < rate_hz / LOWEST_HZ:
        raise AnalysisError("too short to listen to")
    sos = scipy.signal.butter(4, LOWEST_HZ, "highpass", fs=rate_hz, output="sos")
    sound, _ = resample(scipy.signal.sosfiltfilt(sos, values), rate_hz, SOUND_HZ)
    return _faded(sound)


def _faded(values: Array) -> Array:
    """Faded in and out by half a cosine."""
    rows = min(round(FADE_S * SOUND_HZ), values.size // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(rows) / rows)
    faded = values.copy()
    faded[:rows] *= rise
    faded[values.size - rows :] *= rise[::-1]
    return faded
