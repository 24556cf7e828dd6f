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
kurtosis of 5), and on the smooth road of the demo. Noise with fatter tails raises more, and is told by the rate on the
smooth road (`tests/signals/knocks_found.py` prints all of it).

The local crest of a knock is the largest magnitude, in band, of the second around it without the knock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, optimize, signal

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

RING_FROM_S, RING_S = 0.001, 0.06
"""The ring-down is fitted to so much from just after the peak."""
EXPLAINED, MOST_DAMPING = 0.7, 0.25
"""It rings where a damped sinusoid explains this share of the energy, with a damping ratio of no more than this."""


@dataclass(frozen=True)
class Knock:
    """One knock, in band.

    `onset_s` is when its envelope rose through half its peak, from the start of the piece or capture; `peak_ms2` its
    largest magnitude, `background_ms2` the r.m.s. magnitude of the second around it, by which the peak is uncertain;
    `duration_s` the time its envelope stays above half its peak. `ring_hz` and `decay_s` are frequency and time
    constant (to 1/e) of the ring-down along its strongest direction, `ring_uncertainty_hz` half the interval of the
    frequency by the fit's own misfit, meant for 95 % but covering 75 to 90 %, for the filter rings as well; all three
    are not a number where it does not ring.
    """

    onset_s: float
    peak_ms2: float
    background_ms2: float
    duration_s: float
    ring_hz: float
    ring_uncertainty_hz: float
    decay_s: float

    def later(self, seconds: float) -> Knock:
        """The same knock on a clock that started `seconds` earlier."""
        return replace(self, onset_s=self.onset_s + seconds)


@dataclass(frozen=True)
class Heard:
    """The knocks of a piece and the stretch of it that was listened to, in seconds from its start."""

    knocks: tuple[Knock, ...]
    from_s: float
    to_s: float


def band_hz(rate_hz: float) -> Band:
    """The band listened to at a rate: BAND_HZ, or what the rate carries of it; AnalysisError where that is little."""
    require_rate((BAND_HZ[0], LEAST_TOP_HZ), rate_hz)
    return BAND_HZ[0], min(BAND_HZ[1], CARRIED * rate_hz)


def find_knocks(blocks: Iterable[Array], rate_hz: float) -> Heard:
    """Find the knocks of one contiguous piece, given as blocks (3, n) in order, of any length, in m/s².

    Memory does not grow with the piece, but for its knocks. Not listened to are the filter's settling and the edges
    that a knock's description would reach over. Raises AnalysisError for a rate below 500 Hz.
    """
    settled_s = design(band_hz(rate_hz), rate_hz).settled_row / rate_hz
    cell = round(CELL_S * rate_hz)
    margin = math.ceil((REACH_S + LONGEST_S + AFTER_S) * rate_hz / cell) * cell
    knocks: list[Knock] = []
    rows = 0
    for chunk in _chunks(band_passed(blocks, rate_hz), round(CHUNK_S / CELL_S) * cell, margin):
        knocks += (one.later(settled_s + chunk.start / rate_hz) for one in _search(chunk, rate_hz, cell))
        rows = chunk.start + chunk.signal.shape[1]
    from_s, to_s = settled_s + BEFORE_S, settled_s + rows / rate_hz - AFTER_S
    return Heard(tuple(knocks), from_s, max(from_s, to_s))


def band_passed(blocks: Iterable[Array], rate_hz: float) -> Iterator[Array]:
    """The three axes of a piece in band, blocks (3, n) in m/s², from the row where the filter has settled."""
    filtering = design(band_hz(rate_hz), rate_hz)
    runs = [filtering.start() for _ in range(3)]
    skip = filtering.settled_row
    for block in blocks:
        filtered = np.array([run(axis) for run, axis in zip(runs, block, strict=True)])
        yield filtered[:, skip:]
        skip = max(0, skip - filtered.shape[1])


@dataclass(frozen=True, eq=False)
class _Chunk:
    """A stretch of signal (3, n) that starts at row `start`; knocks count whose peak lies in rows [first, last)."""

    signal: Array
    start: int
    first: int
    last: int


def _chunks(blocks: Iterable[Array], core: int, margin: int) -> Iterator[_Chunk]:
    """Cut a stream into overlapping chunks: a core, and a margin to either side where there is one."""
    held, start, first = np.empty((3, 0)), 0, 0
    for block in blocks:
        held = np.concatenate([held, block], axis=1)
        while held.shape[1] >= first + core + margin:
            yield _Chunk(held[:, : first + core + margin], start, first, first + core)
            done = first + core - margin
            held, start, first = held[:, done:], start + done, margin
    if held.shape[1]:
        yield _Chunk(held, start, first, held.shape[1])


def _search(chunk: _Chunk, rate_hz: float, cell: int) -> Iterator[Knock]:
    """The knocks of one chunk, times from its start."""
    magnitude = np.sqrt(np.square(chunk.signal).sum(axis=0))
    count = magnitude.size // cell
    cells = magnitude[: count * cell].reshape(count, cell)
    if not count:
        return
    tops = cells.max(axis=1)
    reach = 2 * round(REACH_S / CELL_S) + 1
    level = ndimage.percentile_filter(tops, 100 * UPPER, reach, mode="reflect")
    over = np.flatnonzero(tops > np.maximum(FACTOR * level, LEAST_MS2))
    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    for group in np.split(over, np.flatnonzero(np.diff(over) * CELL_S > DEAD_S) + 1):
        if not group.size:
            continue
        top = int(group[np.argmax(tops[group])])
        peak = top * cell + int(np.argmax(cells[top]))
        inside = max(chunk.first, before) <= peak < min(chunk.last, magnitude.size - after)
        if inside:
            near = magnitude[max(0, peak - round(REACH_S * rate_hz)) : peak + round(REACH_S * rate_hz)]
            knock = _describe(chunk.signal[:, peak - before : peak + after], near, rate_hz)
            if knock.duration_s <= LONGEST_S:
                yield knock.later((peak - before) / rate_hz)


def _describe(cut: Array, near: Array, rate_hz: float) -> Knock:
    """Describe the knock in the middle of a cut (3, n), times from its start; `near` is the magnitude around it."""
    peak = round(BEFORE_S * rate_hz)
    direction = np.linalg.eigh(cut @ cut.T)[1][:, -1]
    along = direction @ cut
    envelope = np.abs(signal.hilbert(along, N=fft.next_fast_len(along.size)))[: along.size]
    quiet = np.flatnonzero(envelope < envelope[peak] / 2)
    onset = int(quiet[quiet < peak].max(initial=-1)) + 1
    end = int(quiet[quiet > peak].min(initial=along.size))
    outside = np.sort(np.square(near))[: round(0.8 * near.size)]  # without the knock and its like
    ring_hz, uncertainty_hz, decay_s = ring_down(along[peak + round(RING_FROM_S * rate_hz) :], rate_hz)
    return Knock(
        onset_s=onset / rate_hz,
        peak_ms2=float(np.sqrt(np.square(cut[:, peak]).sum())),
        background_ms2=float(np.sqrt(outside.mean())),
        duration_s=(end - onset) / rate_hz,
        ring_hz=ring_hz,
        ring_uncertainty_hz=uncertainty_hz,
        decay_s=decay_s,
    )


def ring_down(along: Array, rate_hz: float) -> tuple[float, float, float]:
    """Frequency (Hz), half its 95 % interval (Hz) and time constant (s) of a damped sinusoid in noise, (n,).

    Non-linear least squares in frequency and decay, the two amplitudes solved for (variable projection, Golub and
    Pereyra 1973), over the first RING_S. The interval takes the misfit for noise that fills the band. Three NaN where
    it does not ring.
    """
    wave = along[: round(RING_S * rate_hz)]
    time_s = np.arange(wave.size) / rate_hz

    def misfit(parameters: NDArray[np.float64]) -> Array:
        turns, fade = parameters
        decaying = np.exp(-fade * time_s)
        angle = 2 * np.pi * turns * time_s
        waves = np.column_stack([decaying * np.cos(angle), decaying * np.sin(angle)])
        solved: Array = wave - waves @ np.linalg.lstsq(waves, wave, rcond=None)[0]
        return solved

    low, high = band_hz(rate_hz)
    spectrum = np.abs(np.fft.rfft(wave, 8 * wave.size))
    strongest = np.clip(spectrum.argmax() * rate_hz / (8 * wave.size), low, high)
    found = optimize.least_squares(
        misfit, [strongest, 60.0], bounds=([low / 2, 1.0], [1.2 * high, 2000.0]), x_scale=[10.0, 20.0], max_nfev=50
    )
    turns, fade = (float(value) for value in found.x)
    energy = float(wave @ wave)
    damping = fade / math.hypot(fade, 2 * math.pi * turns)
    if 2 * found.cost > (1 - EXPLAINED) * energy or damping > MOST_DAMPING or not low <= turns <= high:
        return math.nan, math.nan, math.nan
    noise = 2 * found.cost / (wave.size - 4) * max(1.0, rate_hz / (2 * (high - low)))
    spread_hz = math.sqrt(noise * float(np.linalg.pinv(found.jac.T @ found.jac)[0, 0]))
    return turns, 1.96 * spread_hz, 1 / fade
