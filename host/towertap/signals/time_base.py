"""One time base for two recordings of one motion: each box has its own oscillator, and a start known to some ms.

A signal is a function of time, evaluated on demand, so memory does not grow with the recording. The offset between the
clocks is found from the motion that both recorded: roughly by cross-correlation within a few seconds of the host's
clock, then window by window against the average of all windows, to a fraction of a sample. The delay of the path
between the boxes cannot be separated from the clock offset: phase is relative to the best common delay, and its slope
has no meaning.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.filters import Array

Signal = Callable[[Array], Array]
"""Values (n,) below PASS_HZ at rising times (n,) in seconds; NaN where nothing was recorded."""

GRID_HZ = 1000.0
"""Rate at which two signals are compared; the lowest that a box records at."""
PASS_HZ, STOP_HZ = 300.0, 500.0
"""Interpolation is flat up to the first and passes nothing from the second, half of GRID_HZ."""
ATTENUATION_DB = 80.0
KERNEL_STEPS = 16384
"""Steps of the kernel's table over half its length; linear in between, to within 1e-6."""

SEARCH_S = 3.0
"""How far from the host's clock the offset is searched."""
BAND_HZ = (4.0, 200.0)
"""The band for aligning two boxes; below it, a suspended arm and a body share little."""
ROUGH_WINDOWS, ROUGH_S = 60, (1.0, 4.0)
"""Most windows for the search, and the limits of their length, a tenth of the overlap."""
AGREE_S = 0.005
"""Windows whose offsets lie this close to one line agree."""
DRIFT = 200e-6
"""Largest relative drift of two crystals."""
BY_CHANCE = 1e-4
"""Enough windows must agree that chance would give as many in less than this share of searches."""

FINE_WINDOWS, FINE_S = 1000, 2.0
REACH_S, STEP_S = 0.02, 0.00025
"""How far around the rough line a window's offset is searched, and the grid on which its peak is found."""
ROUNDS = 4
SURE = 0.98
"""Coherence above which a frequency gets no more weight: remaining misalignment affects it first."""
KNOT_S = 15.0
"""Length of the straight lines that make up the offset, for oscillators that drift as they warm up."""
STIFFNESS = 0.3
"""Weight of the chain's bends against the windows."""
TUKEY = 4.685
"""Tukey's constant of the biweight: 95 % of the efficiency of least squares on normal errors."""


@dataclass(frozen=True, eq=False)
class ClockOffset:
    """Second clock less first: `seconds` (n,) at `knots_s` (n,) of the first, straight lines in between.

    `agreeing` of `windows` agreed in the search; `scatter_s` is the standard deviation of windows about the lines.
    """

    knots_s: Array
    seconds: Array
    agreeing: int = 0
    windows: int = 0
    scatter_s: float = 0.0

    def __call__(self, time_s: Array) -> Array:
        """Offset in seconds (n,) at times (n,) of the first clock, continued at the same drift beyond the knots."""
        inside = np.clip(time_s, self.knots_s[0], self.knots_s[-1])
        slopes = np.diff(self.seconds)[[0, -1]] / np.diff(self.knots_s)[[0, -1]]
        beyond = np.where(time_s < inside, *slopes) * (time_s - inside)
        return np.interp(inside, self.knots_s, self.seconds) + beyond


def _kernel() -> Array:
    """The kernel's table over 0 to 1 of half its length: an ideal low-pass under a Kaiser window."""
    at = np.linspace(0.0, 1.0, KERNEL_STEPS + 1)
    taper = np.i0(_BETA * np.sqrt(1 - at**2)) / np.i0(_BETA)
    table = np.sinc((PASS_HZ + STOP_HZ) * HALF_S * at) * taper
    return np.append(table, [0.0, 0.0])


_BETA = 0.1102 * (ATTENUATION_DB - 8.7)  # Kaiser 1974
HALF_S = (ATTENUATION_DB - 7.95) / (2.285 * 2 * math.pi * (STOP_HZ - PASS_HZ)) / 2
"""Half the kernel's length in seconds, by Kaiser's formula; this much is lost at either end of a piece."""
_TABLE = _kernel()


def interpolate(samples: Array, rate_hz: float, rows: Array) -> Array:
    """Band-limited values (m,) of evenly spaced `samples` (n,) at fractional `rows` (m,); NaN near the ends.

    `rate_hz` is at least 900 Hz; below, images reach into the pass band.
    """
    half = HALF_S * rate_hz
    reach = math.ceil(half)
    first = np.floor(rows).astype(int) - reach + 1
    inside = (first >= 0) & (first + 2 * reach <= samples.size)
    values = np.full(rows.size, np.nan)
    if not inside.any():
        return values
    nearby = np.lib.stride_tricks.sliding_window_view(samples, 2 * reach)[first[inside]]
    distance = np.abs(first[inside, None] - rows[inside, None] + np.arange(2 * reach)) * (KERNEL_STEPS / half)
    step = np.minimum(distance.astype(int), KERNEL_STEPS)
    weights = _TABLE[step] + (distance - step) * (_TABLE[step + 1] - _TABLE[step])
    weights[distance > KERNEL_STEPS] = 0.0
    values[inside] = (weights * nearby).sum(axis=1) / weights.sum(axis=1)  # keeps a constant, gravity, exact
    return values


def find_offset(first: Signal, second: Signal, span_s: tuple[float, float], guess_s: float) -> ClockOffset:
    """The second clock less the first, near `guess_s`, while both record: `span_s` of the first.

    AnalysisError if windows of both agree no better than by chance.
    """
    rough = _search(first, second, span_s, guess_s)
    starts_s = np.linspace(
        span_s[0], span_s[1] - FINE_S, max(2, min(FINE_WINDOWS, int((span_s[1] - span_s[0]) / FINE_S)))
    )
    return _refine(first, second, starts_s, rough)


def _search(first: Signal, second: Signal, span_s: tuple[float, float], guess_s: float) -> ClockOffset:
    """A straight line through the offsets of windows that agree with one another."""
    duration_s = span_s[1] - span_s[0]
    length_s = min(max(duration_s / 10, ROUGH_S[0]), ROUGH_S[1])
    starts_s = np.linspace(span_s[0], span_s[1] - length_s, min(ROUGH_WINDOWS, int(duration_s / length_s)))
    peaks = [(start, _peak_s(first, second, start, length_s, guess_s)) for start in starts_s]
    at_s, lags_s = np.array([(start, lag) for start, lag in peaks if lag is not None]).reshape(-1, 2).T
    reach = math.floor(DRIFT * duration_s / AGREE_S)
    drifts = np.arange(-reach, reach + 1) * AGREE_S / duration_s
    apart = lags_s - lags_s[:, None] - drifts[:, None, None] * (at_s - at_s[:, None])  # (drifts, anchors, windows)
    agree = np.abs(apart) < AGREE_S
    counts = agree.sum(axis=2)
    best = np.unravel_index(np.argmax(counts), counts.shape) if counts.size else ()
    agreeing, windows = int(counts[best]) if best else 0, at_s.size
    lines, chance = drifts.size * windows, AGREE_S / SEARCH_S
    if agreeing < 2 or lines * scipy.special.comb(windows - 1, agreeing - 1) * chance ** (agreeing - 1) > BY_CHANCE:
        raise AnalysisError(
            f"the two recordings share no motion within {SEARCH_S:g} s of the host's clock ({agreeing} of {windows} "
            "windows agree, no more than by chance): pair recordings of one drive, made on one computer"
        )
    drift = drifts[best[0]]
    at_zero_s = float(np.median((lags_s - drift * at_s)[agree[best]]))
    return ClockOffset(np.array(span_s), at_zero_s + drift * np.array(span_s), agreeing, windows)


def _peak_s(first: Signal, second: Signal, start_s: float, length_s: float, guess_s: float) -> float | None:
    """Offset at which one window of the first is found in the second; None if it was not recorded.

    Only phases count (the phase transform of Knapp and Carter 1976), so no tone or resonance dominates.
    """
    a = first(start_s + _grid(length_s))
    b = second(start_s + guess_s - SEARCH_S + _grid(length_s + 2 * SEARCH_S))
    if not np.isfinite(a).all() or not np.isfinite(b).any():
        return None
    a, b = (a - a.mean()) * np.hanning(a.size), np.nan_to_num(b - np.nanmean(b))
    cross = np.fft.rfft(a, b.size).conj() * np.fft.rfft(b)
    frequency_hz = np.fft.rfftfreq(b.size, 1 / GRID_HZ)
    level = np.abs(cross)
    inside = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1]) & (level > 0)
    phases = np.zeros(b.size, complex)
    phases[: cross.size][inside] = cross[inside] / level[inside]
    envelope = np.abs(np.fft.ifft(phases))[: b.size - a.size + 1]
    return float(guess_s - SEARCH_S + np.argmax(envelope) / GRID_HZ)


def _refine(first: Signal, second: Signal, starts_s: Array, rough: ClockOffset) -> ClockOffset:
    """The offset as a chain of lines, from each window's phases against those of all windows together.

    The path between the boxes changes the phase alike in all windows, so it cancels.
    """
    spectra = {start: _window_spectra(first, second, start, rough) for start in starts_s.tolist()}
    pairs = {start: pair for start, pair in spectra.items() if pair is not None}
    if len(pairs) < 2:
        raise AnalysisError("the two recordings share no two seconds without a gap: record the pass again")
    a, b = np.array(list(pairs.values())).swapaxes(0, 1)
    at_s = np.array(list(pairs)) + FINE_S / 2
    cross = a.conj() * b / np.sqrt((np.abs(a) ** 2).mean(axis=0) * (np.abs(b) ** 2).mean(axis=0))
    angular = 2j * np.pi * np.fft.rfftfreq(round(FINE_S * GRID_HZ), 1 / GRID_HZ)[_band()]
    steps_s = np.arange(-REACH_S, REACH_S + STEP_S / 2, STEP_S)
    shifts = np.exp(np.outer(angular, steps_s))
    knots_s = np.linspace(at_s[0], at_s[-1], 1 + max(1, min(int(np.ptp(at_s) / KNOT_S), at_s.size // 4)))
    chain = ClockOffset(knots_s, np.zeros(knots_s.size))
    for _ in range(ROUNDS):
        aligned = cross * np.exp(np.outer(chain(at_s), angular))
        mean = aligned.mean(axis=0)
        weights = mean.conj() / (1 - np.minimum(np.abs(mean) ** 2, SURE))  # from the likelihood of a phase
        scores = (aligned * weights @ shifts).real
        chain = _chain(at_s, chain(at_s) + _peaks(scores, steps_s), knots_s)
    return ClockOffset(knots_s, rough(knots_s) + chain.seconds, rough.agreeing, rough.windows, chain.scatter_s)


def _window_spectra(
    first: Signal, second: Signal, start_s: float, rough: ClockOffset
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]] | None:
    time_s = start_s + _grid(FINE_S)
    a, b = first(time_s), second(time_s + rough(time_s))
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        return None
    taper = np.hanning(a.size)
    return np.fft.rfft((a - a.mean()) * taper)[_band()], np.fft.rfft((b - b.mean()) * taper)[_band()]


def _peaks(scores: Array, steps_s: Array) -> Array:
    """Peak of each row of `scores` (n, steps), by the parabola through its largest value and both neighbours."""
    top = np.clip(scores.argmax(axis=1), 1, steps_s.size - 2)
    before, highest, after = (scores[np.arange(len(scores)), top + k] for k in (-1, 0, 1))
    bend = before - 2 * highest + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.minimum(bend, -1e-300), 0.0)
    return steps_s[top] + np.clip(shift, -1, 1) * (steps_s[1] - steps_s[0])


def _chain(at_s: Array, offsets_s: Array, knots_s: Array) -> ClockOffset:
    """Straight lines between knots through the offsets (n,), robust to outlying windows by Tukey's biweight."""
    hats = np.array([np.interp(at_s, knots_s, row) for row in np.eye(knots_s.size)]).T
    bends = math.sqrt(STIFFNESS) * np.diff(np.eye(knots_s.size), 2, axis=0)
    seconds = np.full(knots_s.size, np.median(offsets_s))
    scale = 0.0
    for _ in range(20):
        residual = offsets_s - hats @ seconds
        scale = max(float(np.median(np.abs(residual))) / 0.6745, 1e-9)
        weight = np.clip(1 - (residual / (TUKEY * scale)) ** 2, 0, None)  # the biweight's square root
        seconds = np.linalg.lstsq(
            np.vstack([hats * weight[:, None], bends]), np.append(offsets_s * weight, np.zeros(len(bends))), rcond=None
        )[0]
    return ClockOffset(knots_s, seconds, scatter_s=scale)


def _grid(length_s: float) -> Array:
    return np.arange(round(length_s * GRID_HZ)) / GRID_HZ


def _band() -> slice:
    """The spectral lines of a fine window within BAND_HZ."""
    return slice(math.ceil(BAND_HZ[0] * FINE_S), math.floor(BAND_HZ[1] * FINE_S) + 1)
