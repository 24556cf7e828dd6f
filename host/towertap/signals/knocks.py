"""Knocks: short impacts of metal on metal or of a part at the end of its free play, found in a stream and described.

Listened to is the magnitude of the three band-passed axes together. A bush with free play knocks fore-aft as readily as
vertically and a bracket turns the one into the other, so a single axis would miss some and depend on the mounting; the
magnitude does not. Metal and brackets ring within the band; the body's bounce, the wheel hop and most of what a tyre
makes of a bump lie below it.

A moment is judged by the second around it. The magnitude is brought to its largest value in cells of CELL_S, and a
knock is a cell that is FACTOR times the local level, which is the quantile UPPER of the cells within REACH_S to either
side: a rank, so that knocks do not raise it until they fill 15 % of the cells, some three a second; what rattles faster
is background here, and is in the r.m.s. of the band. FACTOR is set by simulation and not by a Gaussian's tail:
the smallest step that keeps FALSE_A_MINUTE where a background's level wanders by 35 % within fractions of a second (a
kurtosis of 5), and on the smooth road of the demo. Noise with fatter tails raises more, and shows in the rate on the
smooth road (`tests/signals/knocks_found.py` prints all of it).

The local crest of a knock is the largest magnitude, in band, of the second around it without the knock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.signals.bands import design
from towertap.signals.filters import CARRIED, Array, Band, require_rate

BAND_HZ = (50.0, 500.0)
"""Where knocks are listened for; at a lower rate the band ends where the rate does."""
LEAST_TOP_HZ = 200.0
"""A band that ends lower holds too little of what metal rings at."""

CELL_S = 0.02
"""Length of a cell, about that of a knock, which so fills one or two."""
REACH_S = 0.5
"""So far to either side the background is looked at: a road's roughness changes within a second."""
QUIETER = 0.8
"""The background's r.m.s. is of this part of the second around a knock, the quietest."""
UPPER = 0.85
FACTOR = 1.95
"""A knock is a cell so many times this quantile of the cells around it."""
LEAST_MS2 = 0.05
"""Smaller peaks are the chip's last bits."""
FALSE_A_MINUTE = 1.0
"""What FACTOR keeps to on smooth road: at most so many false alarms a minute."""

DEAD_S = 0.06
"""Cells that start within so much of each other belong to one knock: a second blow is not told from the ringing."""
LONGEST_S = 0.1
"""What stays above half its peak for longer is a rough stretch of road and no knock."""
BEFORE_S, AFTER_S = 0.03, 0.08
"""What is cut out around the peak of a knock to describe it."""
CHUNK_S = 16.0
"""The stream is searched in chunks so long, which bounds memory."""

RING_FROM_S, RING_S, LOG_MOST_FADE = 0.001, 0.06, math.log(2000.0)
"""The ring-down is fitted to so much from just after the peak, with a decay of no more than 2000 /s."""
EXPLAINED, MOST_DAMPING = 0.7, 0.25
"""It rings where a damped sinusoid explains this share of the energy, with a damping ratio of no more than this."""


@dataclass(frozen=True)
class Knock:
    """One knock, in band.

    `onset_s` is when its envelope rose through half its peak, from the start of the piece or capture; `peak_ms2` its
    largest magnitude, `duration_s` the time its envelope stays above half its peak, `ring_hz` the frequency of the
    ring-down along its strongest direction, not a number where it does not ring, `background_ms2` the r.m.s. magnitude
    of the second around it without its loudest fifth.
    """

    onset_s: float
    peak_ms2: float
    duration_s: float
    ring_hz: float
    background_ms2: float

    def later(self, seconds: float) -> Knock:
        """The same knock on a clock that started `seconds` earlier."""
        return replace(self, onset_s=self.onset_s + seconds)


@dataclass(frozen=True, eq=False)
class Thresholds:
    """What a peak had to reach to be heard, `peak_ms2` (n,), in cells of `cell_s` from `start_s` of the piece on."""

    start_s: float
    cell_s: float
    peak_ms2: Array

    def later(self, seconds: float) -> Thresholds:
        """The same on a clock that started `seconds` earlier."""
        return replace(self, start_s=self.start_s + seconds)


def band_hz(rate_hz: float) -> Band:
    """The band listened to at a rate: BAND_HZ, or what the rate carries of it; AnalysisError where that is little."""
    require_rate((BAND_HZ[0], LEAST_TOP_HZ), rate_hz)
    return BAND_HZ[0], min(BAND_HZ[1], CARRIED * rate_hz)


class KnockFinder:
    """Finds the knocks of one contiguous piece as it comes; memory does not grow with the piece, but for its knocks.

    Not listened to are the filter's settling and the edges that a knock's description would reach over. Raises
    AnalysisError for a rate below 500 Hz.
    """

    def __init__(self, rate_hz: float) -> None:
        filtering = design(band_hz(rate_hz), rate_hz)
        self._rate_hz = rate_hz
        self._runs = [filtering.start() for _ in range(3)]
        self._skip = self._row = filtering.settled_row
        self._cell = round(CELL_S * rate_hz)
        self._core = round(CHUNK_S / CELL_S) * self._cell
        self._margin = math.ceil((REACH_S + LONGEST_S + AFTER_S) * rate_hz / self._cell) * self._cell
        self._pending, self._first = np.empty((3, 0)), 0
        self._knocks: list[Knock] = []
        self._start_row = self._row
        self._thresholds: list[Array] = []

    def take(self, block: NDArray[np.floating]) -> None:
        """Take the next rows of the piece, (3, n) in m/s², of any length."""
        filtered = np.array([run(axis) for run, axis in zip(self._runs, block, strict=True)])
        skipped = min(self._skip, filtered.shape[1])
        self._skip -= skipped
        self._pending = np.concatenate([self._pending, filtered[:, skipped:]], axis=1)
        while self._pending.shape[1] >= (end := self._first + self._core + self._margin):
            self._search(end, self._first + self._core)
            searched = self._first + self._core - self._margin
            self._pending, self._first = self._pending[:, searched:], self._margin
            self._row += searched

    def knocks(self) -> tuple[Knock, ...]:
        """The knocks of the piece, which ends here."""
        self._search(self._pending.shape[1], self._pending.shape[1])
        return tuple(self._knocks)

    def thresholds(self) -> Thresholds:
        """What a peak had to reach in each cell searched; complete once `knocks` has ended the piece."""
        peak_ms2 = np.concatenate([np.empty(0), *self._thresholds])
        return Thresholds(self._start_row / self._rate_hz, self._cell / self._rate_hz, peak_ms2)

    def _search(self, end: int, last: int) -> None:
        """Search what is pending up to row `end`; knocks count whose peak lies from the first new row to `last`."""
        chunk, rate_hz, cell = self._pending[:, :end], self._rate_hz, self._cell
        magnitude = np.sqrt(np.square(chunk).sum(axis=0))
        cells = magnitude[: magnitude.size // cell * cell].reshape(-1, cell)
        if not cells.size:
            return
        tops = cells.max(axis=1)
        threshold = _threshold(tops)
        self._thresholds.append(threshold[self._first // cell : last // cell])
        over = np.flatnonzero(tops > threshold)
        before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
        for group in np.split(over, np.flatnonzero(np.diff(over) * CELL_S > DEAD_S) + 1):
            if not group.size:
                continue
            top = int(group[np.argmax(tops[group])])
            peak = top * cell + int(np.argmax(cells[top]))
            if max(self._first, before) <= peak < min(last, magnitude.size - after):
                background_ms2 = _background(magnitude, peak, rate_hz)
                knock = _describe(chunk[:, peak - before : peak + after], rate_hz, background_ms2)
                if knock.duration_s <= LONGEST_S:
                    self._knocks.append(knock.later((self._row + peak - before) / rate_hz))


def _threshold(tops: Array) -> Array:
    """What the largest magnitude of a cell must be over, by that of the cells (n,) around it."""
    reach = 2 * round(REACH_S / CELL_S) + 1
    level = scipy.ndimage.percentile_filter(tops, 100 * UPPER, reach, mode="reflect")
    return np.maximum(FACTOR * level, LEAST_MS2)


def _background(magnitude: Array, peak: int, rate_hz: float) -> float:
    """R.m.s. of a magnitude (n,) within REACH_S of a peak, without the loudest fifth: a knock and its like."""
    reach = round(REACH_S * rate_hz)
    squares = np.sort(np.square(magnitude[max(0, peak - reach) : peak + reach]))
    return float(np.sqrt(squares[: round(QUIETER * squares.size)].mean()))


def _describe(cut: Array, rate_hz: float, background_ms2: float) -> Knock:
    """Describe the knock in the middle of a cut (3, n) on a background, times from its start."""
    peak = round(BEFORE_S * rate_hz)
    direction = np.linalg.eigh(cut @ cut.T)[1][:, -1]
    along = direction @ cut
    envelope = np.abs(scipy.signal.hilbert(along, N=scipy.fft.next_fast_len(along.size)))[: along.size]
    quiet = np.flatnonzero(envelope < envelope[peak] / 2)
    onset = int(quiet[quiet < peak].max(initial=-1)) + 1
    end = int(quiet[quiet > peak].min(initial=along.size))
    return Knock(
        onset_s=onset / rate_hz,
        peak_ms2=float(np.sqrt(np.square(cut[:, peak]).sum())),
        duration_s=(end - onset) / rate_hz,
        ring_hz=ring_hz(along[peak + round(RING_FROM_S * rate_hz) :], rate_hz),
        background_ms2=background_ms2,
    )


def ring_hz(along: Array, rate_hz: float) -> float:
    """Frequency (Hz) of a damped sinusoid in noise, (n,); NaN where it does not ring.

    Non-linear least squares in frequency and the logarithm of the decay, the two amplitudes solved for (variable
    projection, Golub and Pereyra 1973; Levenberg and Marquardt's steps), over the first RING_S.
    """
    wave = along[: round(RING_S * rate_hz)]
    time_s = np.arange(wave.size) / rate_hz

    def misfit(parameters: NDArray[np.float64]) -> Array:
        turns, log_fade = parameters
        exponent = complex(-math.exp(min(log_fade, LOG_MOST_FADE)), 2 * math.pi * turns)
        waves = np.exp(exponent * time_s).view(np.float64).reshape(-1, 2)
        return wave - waves @ np.linalg.lstsq(waves, wave, rcond=None)[0]

    low, high = band_hz(rate_hz)
    spectrum = np.abs(np.fft.rfft(wave, 8 * wave.size))
    strongest = np.clip(spectrum.argmax() * rate_hz / (8 * wave.size), low, high)
    start = [strongest, math.log(60.0)]
    fit = scipy.optimize.least_squares(misfit, start, method="lm", x_scale=[10.0, 0.3], max_nfev=150)
    turns, fade = float(fit.x[0]), math.exp(min(fit.x[1], LOG_MOST_FADE))
    damping = fade / math.hypot(fade, 2 * math.pi * turns)
    rings = 2 * fit.cost <= (1 - EXPLAINED) * float(wave @ wave) and damping <= MOST_DAMPING and low <= turns <= high
    return turns if rings else math.nan
