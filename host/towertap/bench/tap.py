"""Mounted resonance and damping of a box, from the free decay after each tap next to it.

The decay of a mounted box is a sum of damped sines. The matrix pencil (Hua & Sarkar 1990) finds their frequencies and
dampings from a few periods, without the bias of a window or of a spectrum's resolution.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.errors import AnalysisError

Array = NDArray[np.float64]

STEADY_HZ = 10.0
"""Gravity and sway below this are removed."""

BLOCK_S = 0.002
QUIET = 10.0
LEAST_MS2 = 2.0
"""A tap has QUIET times the median magnitude, and at least this."""

APART_S = 0.25
"""Taps closer than this disturb each other's decay and count as one."""

BLOW_S = 0.002
"""The handle leaves the metal within this time after the peak; then the decay is free."""

DECAY_S = 0.1
FOLLOWED = 0.01
"""A decay is followed down to this part of its peak, or to three times the noise."""

SHORTEST_DECAY = 24
"""Samples of a decay above the noise."""

PENCIL_PART = 4
WEAKEST = 0.03
"""Singular values below this part of the largest count as noise, as do those that noise alone would make."""

MOST_MODES = 12
DAMPING = (0.001, 0.5)
RESONANCE_HZ = 15.0
CARRIED = 0.4
"""A resonance lies between RESONANCE_HZ and this part of the rate."""

FEWEST_TAPS = 3
ALIKE = 0.1
"""Taps within this part of the median frequency show the same mode."""

CONFIDENCE = 0.95
USABLE_PARTS = {"one_third": 3.0, "one_fifth": 5.0}
"""ISO 5348 practice: at a third of the mounted resonance a reading is some 12 % high, at a fifth some 4 %
(1/(1 − r²))."""


@dataclass(frozen=True)
class Mode:
    """One damped sine of a decay: natural frequency, damping ratio, energy in unit²·s."""

    frequency_hz: float
    damping: float
    energy: float


@dataclass(frozen=True)
class Resonance:
    """Resonance of one axis: means and standard deviations over the `taps` that agree, and a 95 % interval."""

    frequency_hz: float
    frequency_interval_hz: tuple[float, float]
    frequency_spread_hz: float
    damping: float
    damping_spread: float
    taps: int


@dataclass(frozen=True)
class Taps:
    """The usable taps of a recording, and the resonance of each axis; None if the taps disagree."""

    at_s: tuple[float, ...]
    clipped: int
    """Taps left out because they exceeded the sensor's range."""
    resonances: dict[str, Resonance | None]

    @property
    def usable_hz(self) -> dict[str, float] | None:
        """Upper ends of the usable band, from the lowest resonance; None if no axis has one."""
        frequencies_hz = [resonance.frequency_hz for resonance in self.resonances.values() if resonance]
        return {name: min(frequencies_hz) / part for name, part in USABLE_PARTS.items()} if frequencies_hz else None

    def data(self) -> dict[str, Any]:
        """For JSON: the result of a tap record."""
        return {
            "method": "matrix pencil on the free decay",
            "taps_at_s": self.at_s,
            "clipped_taps": self.clipped,
            "resonances": {axis: resonance and vars(resonance) for axis, resonance in self.resonances.items()},
            "usable_hz": self.usable_hz,
        }


def measure(acceleration: Array, rate_hz: float, full_scale_ms2: float) -> Taps:
    """Find the taps in a recording (n, 3), m/s², and the resonances; AnalysisError if there are too few taps.

    A tap that reaches `full_scale_ms2` on any axis is left out as clipped.
    """
    steady = scipy.signal.sosfiltfilt(
        scipy.signal.butter(2, STEADY_HZ, "highpass", fs=rate_hz, output="sos"), acceleration, axis=0
    )
    starts = find_taps(steady, rate_hz)
    length = round(DECAY_S * rate_hz)
    complete = [start for start in starts if start + length <= len(acceleration)]
    clean = [s for s in complete if np.abs(acceleration[max(s - length // 4, 0) : s + length]).max() < full_scale_ms2]
    clipped = len(complete) - len(clean)
    if len(clean) < FEWEST_TAPS:
        raise AnalysisError(
            f"{len(clean)} usable tap{'' if len(clean) == 1 else 's'} ({len(starts)} found, {clipped} beyond the "
            f"sensor's range): tap {FEWEST_TAPS} times or more, a second apart, lightly, with a plastic handle"
        )
    noise = np.median(np.abs(steady), axis=0) / scipy.stats.norm.ppf(0.75)
    resonances = {}
    for k, axis in enumerate("xyz"):
        modes = [_strongest(steady[start : start + length, k], rate_hz, float(noise[k])) for start in clean]
        resonances[axis] = _agreed([mode for mode in modes if mode])
    return Taps(tuple(start / rate_hz for start in clean), clipped, resonances)


def find_taps(steady: Array, rate_hz: float) -> list[int]:
    """The row, just after the peak, at which the free decay of each tap begins; `steady` (n, 3) is without gravity."""
    magnitude = np.linalg.norm(steady, axis=1)
    rows = max(1, round(BLOCK_S * rate_hz))
    envelope = magnitude[: len(magnitude) // rows * rows].reshape(-1, rows).max(axis=1)
    loud = np.flatnonzero(envelope > max(QUIET * np.median(envelope), LEAST_MS2))
    # The first loud block after a pause begins a tap; the rest up to the next pause is its ringing.
    first = loud[np.diff(loud, prepend=-np.inf) * BLOCK_S > APART_S] if loud.size else loud
    within = round(5 * BLOW_S * rate_hz)
    peaks = [int(at + magnitude[at : at + within].argmax()) for at in first * rows]
    return [peak + round(BLOW_S * rate_hz) for peak in peaks]


def decay_modes(decay: Array, rate_hz: float, noise: float = 0.0) -> list[Mode]:
    """The damped sines in a free decay (n,), strongest first, by the matrix pencil.

    `noise` is the standard deviation of the white noise in it. Hua & Sarkar, IEEE Trans. ASSP 38 (1990) 814–824.
    """
    n = len(decay)
    pencil = n // PENCIL_PART
    hankel = np.lib.stride_tricks.sliding_window_view(decay, pencil + 1)
    # Only the largest singular values, from the small product matrix: a tenth of the time of a full SVD.
    largest = (max(0, pencil + 1 - MOST_MODES), pencil)
    squares, vectors = scipy.linalg.eigh(hankel.T @ hankel, subset_by_index=largest)
    singular, right = np.sqrt(np.maximum(squares[::-1], 0.0)), vectors[:, ::-1].T
    noise_level = 2 * noise * (np.sqrt(n - pencil) + np.sqrt(pencil + 1))  # twice the largest of noise alone
    order = int((singular > max(WEAKEST * singular[0], noise_level)).sum())
    if order < 2:
        return []
    right = right[:order]
    z = np.linalg.eigvals(np.linalg.pinv(right[:, :-1].T) @ right[:, 1:].T).astype(complex)
    z = z[np.abs(z) > 1e-6]
    amplitudes = np.linalg.lstsq(z ** np.arange(n)[:, None], decay.astype(complex), rcond=None)[0]
    s = np.log(z) * rate_hz
    modes = [
        Mode(float(abs(pole) / (2 * np.pi)), float(-pole.real / abs(pole)), float(abs(a) ** 2 / abs(pole.real)))
        for pole, a in zip(s, amplitudes, strict=True)
        if pole.imag > 0
    ]
    return sorted(modes, key=lambda mode: -mode.energy)


def _strongest(decay: Array, rate_hz: float, noise: float) -> Mode | None:
    """The strongest mode of one decay, down to the noise, that can be a mounting's."""
    blocks = np.abs(decay[: len(decay) // 8 * 8]).reshape(-1, 8).max(axis=1)
    above = np.flatnonzero(blocks > max(3 * noise, FOLLOWED * blocks.max()))
    length = 8 * (int(above[-1]) + 1) if above.size else 0
    if length < SHORTEST_DECAY:
        return None
    for mode in decay_modes(decay[:length], rate_hz, noise):
        if RESONANCE_HZ <= mode.frequency_hz <= CARRIED * rate_hz and DAMPING[0] <= mode.damping <= DAMPING[1]:
            return mode
    return None


def _agreed(modes: Sequence[Mode]) -> Resonance | None:
    """Mean and spread of the modes near the median; None if fewer than FEWEST_TAPS or half of them agree."""
    values = np.array([(mode.frequency_hz, mode.damping) for mode in modes]).reshape(-1, 2)
    median_hz = np.median(values[:, 0]) if len(values) else 0.0
    alike = values[np.abs(values[:, 0] - median_hz) <= ALIKE * median_hz]
    taps = len(alike)
    if taps < max(FEWEST_TAPS, len(modes) / 2):
        return None
    (frequency_hz, damping), (spread_hz, damping_spread) = (
        alike.mean(axis=0).tolist(),
        alike.std(axis=0, ddof=1).tolist(),
    )
    half_hz = float(scipy.stats.t.ppf(0.5 + CONFIDENCE / 2, taps - 1) / np.sqrt(taps) * spread_hz)
    interval_hz = (frequency_hz - half_hz, frequency_hz + half_hz)
    return Resonance(frequency_hz, interval_hz, spread_hz, damping, damping_spread, taps)
