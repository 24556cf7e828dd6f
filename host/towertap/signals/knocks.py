"""Knocks: short impacts of metal on metal or of a part at the end of its free play, found in a stream and described.

The detector uses the magnitude of the three band-passed axes. A bush with free play knocks fore-aft as readily as
vertically, and a bracket turns one into the other, so a single axis would miss some and depend on the mounting. Metal
and brackets ring within the band; the body's bounce, the wheel hop and most of a tyre's response to a bump lie below.

A moment is judged against the second around it. The magnitude is reduced to its maximum in cells of CELL_S. A knock is
a cell above FACTOR times the local level, the quantile UPPER of the cells within REACH_S on either side. Knocks do not
raise a quantile until they fill 15 % of the cells, about three per second; faster rattle counts as background and is in
the r.m.s. of the band. FACTOR comes from simulation, not from a Gaussian tail: the smallest step that keeps
FALSE_A_MINUTE when the background's level varies by 35 % within fractions of a second (a kurtosis of 5), and on the
demo's smooth road. Noise with fatter tails gives more false alarms, which show in the rate on the smooth road
(`tests/signals/knocks_found.py` prints this).

The local crest of a knock is the largest in-band magnitude of the second around it without the knock.
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
"""Band of the detector; a lower rate cuts its upper end."""
LEAST_TOP_HZ = 200.0
"""A band that ends lower holds too little of metal's ringing."""

CELL_S = 0.02
"""Length of a cell, about that of a knock, which then fills one or two."""
REACH_S = 0.5
"""How far the background reaches on either side: a road's roughness changes within a second."""
QUIETER = 0.8
"""The background's r.m.s. is over this quietest part of the second around a knock."""
UPPER = 0.85
FACTOR = 1.95
"""A knock is a cell of this many times the quantile UPPER of the cells around it."""
LEAST_MS2 = 0.05
"""Smaller peaks are the chip's last bits."""
FALSE_A_MINUTE = 1.0
"""Most false alarms per minute that FACTOR allows on smooth road."""

DEAD_S = 0.06
"""Cells that start within this time of each other are one knock: a second blow cannot be distinguished from ringing."""
LONGEST_S = 0.1
"""Anything above half its peak for longer is a rough stretch of road, not a knock."""
BEFORE_S, AFTER_S = 0.03, 0.08
"""The cut around the peak of a knock by which it is described."""
CHUNK_S = 16.0
"""The stream is searched in chunks of this length, which bounds memory."""

RING_FROM_S, RING_S, LOG_MOST_FADE = 0.001, 0.06, math.log(2000.0)
"""The ring-down is fitted to RING_S from just after the peak, with a decay of at most 2000 /s."""
EXPLAINED, MOST_DAMPING = 0.7, 0.25
"""It rings if a damped sinusoid with at most this damping ratio explains this share of the energy."""


@dataclass(frozen=True)
class Knock:
    """One knock, in band.

    `onset_s`: when its envelope rose through half its peak, from the start of the piece or capture; `peak_ms2`: its
    largest magnitude; `duration_s`: how long its envelope stays above half its peak; `ring_hz`: frequency of the
    ring-down along its strongest direction, NaN if it does not ring; `background_ms2`: r.m.s. magnitude of the second
    around it without the loudest fifth.
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
    """Thresholds for a peak, `peak_ms2` (n,), in cells of `cell_s` from `start_s` of the piece."""

    start_s: float
    cell_s: float
    peak_ms2: Array

    def later(self, seconds: float) -> Thresholds:
        """The same on a clock that started `seconds` earlier."""
        return replace(self, start_s=self.start_s + seconds)


def band_hz(rate_hz: float) -> Band:
    """The detector's band at a rate: what the rate carries of BAND_HZ; AnalysisError if that is too little."""
    require_rate((BAND_HZ[0], LEAST_TOP_HZ), rate_hz)
    return BAND_HZ[0], min(BAND_HZ[1], CARRIED * rate_hz)


class KnockFinder:
    """Finds the knocks of one contiguous piece, fed in blocks; memory grows only with the number of knocks.

    It skips the filter's settling, and edges too close for a knock to be described. AnalysisError below 500 Hz.
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
        """All knocks of the piece; ends it."""
        self._search(self._pending.shape[1], self._pending.shape[1])
        return tuple(self._knocks)

    def thresholds(self) -> Thresholds:
        """The threshold in each cell searched; complete after `knocks`."""
        peak_ms2 = np.concatenate([np.empty(0), *self._thresholds])
        return Thresholds(self._start_row / self._rate_hz, self._cell / self._rate_hz, peak_ms2)

    def _search(self, end: int, last: int) -> None:
        """Search the pending rows up to `end`, for knocks whose peak lies from the first new row to `last`."""
        chunk, rate_hz, cell = self._pending[:, :end], self._rate_hz, self._cell
        magnitude = np.sqrt(np.square(chunk).sum(axis=0))
        cells = magnitude[: magnitude.size // cell * cell].reshape(-1, cell)
        if not cells.size:
            return
        tops = cells.max(axis=1)
        threshold = _threshold(tops)
        self._thresholds.append(threshold[self._first // cell : last // cell])
        loud = np.flatnonzero(tops > threshold)
        before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
        for group in np.split(loud, np.flatnonzero(np.diff(loud) * CELL_S > DEAD_S) + 1):
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
    """Threshold (n,) of each cell's largest magnitude, from the cells (n,) around it."""
    reach = 2 * round(REACH_S / CELL_S) + 1
    level = scipy.ndimage.percentile_filter(tops, 100 * UPPER, reach, mode="reflect")
    return np.maximum(FACTOR * level, LEAST_MS2)


def _background(magnitude: Array, peak: int, rate_hz: float) -> float:
    """R.m.s. of a magnitude (n,) within REACH_S of a peak, without the loudest fifth, which holds knocks."""
    reach = round(REACH_S * rate_hz)
    squares = np.sort(np.square(magnitude[max(0, peak - reach) : peak + reach]))
    return float(np.sqrt(squares[: round(QUIETER * squares.size)].mean()))


def _describe(cut: Array, rate_hz: float, background_ms2: float) -> Knock:
    """Describe the knock in a cut (3, n), with its peak BEFORE_S from the start; times are from the start."""
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
    """Frequency (Hz) of a damped sinusoid in noise, (n,); NaN if it does not ring.

    Non-linear least squares over the first RING_S, in frequency and the logarithm of the decay. The two amplitudes are
    solved for (variable projection, Golub and Pereyra 1973; Levenberg and Marquardt's steps).
    """
    wave = along[: round(RING_S * rate_hz)]
    time_s = np.arange(wave.size) / rate_hz

    def misfit(parameters: NDArray[np.float64]) -> Array:
        frequency_hz, log_fade = parameters
        exponent = complex(-math.exp(min(log_fade, LOG_MOST_FADE)), 2 * math.pi * frequency_hz)
        waves = np.exp(exponent * time_s).view(np.float64).reshape(-1, 2)
        return wave - waves @ np.linalg.lstsq(waves, wave, rcond=None)[0]

    low_hz, high_hz = band_hz(rate_hz)
    spectrum = np.abs(np.fft.rfft(wave, 8 * wave.size))
    strongest_hz = np.clip(spectrum.argmax() * rate_hz / (8 * wave.size), low_hz, high_hz)
    start = [strongest_hz, math.log(60.0)]
    fit = scipy.optimize.least_squares(misfit, start, method="lm", x_scale=[10.0, 0.3], max_nfev=150)
    frequency_hz, fade = float(fit.x[0]), math.exp(min(fit.x[1], LOG_MOST_FADE))
    damping = fade / math.hypot(fade, 2 * math.pi * frequency_hz)
    is_explained = 2 * fit.cost <= (1 - EXPLAINED) * float(wave @ wave)
    return frequency_hz if is_explained and damping <= MOST_DAMPING and low_hz <= frequency_hz <= high_hz else math.nan
