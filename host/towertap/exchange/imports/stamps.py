"""Time stamps of another recorder: its rate, their jitter, where samples are missing, and even resampling."""

from dataclasses import dataclass

import numpy as np
import scipy

from towertap.capture.rate import fit_rate
from towertap.errors import AnalysisError
from towertap.signals.filters import CARRIED, Array

GAP_PERIODS = 1.5
"""A longer step between stamps is a gap, unless the next step is shorter than CATCHES_UP periods: a late stamp."""
CATCHES_UP = 0.75
LONGEST_GAP_S = 1e6
"""Eleven days; a longer gap means another recording."""
SMOOTHED = 1025
"""Neighbouring stamps in the line that a stamp is compared with. Many, because their own jitter is in the line."""
FEWEST = 200
EVEN = 0.02
"""Periods: with smaller deviations the samples may be taken as even, at negligible error."""
LARGEST_DEVIATION = 0.25
"""Periods: with smaller deviations the samples carry the band below half the mean rate (Kadec 1964, 1/4 theorem)."""
MOST_LATE = 1e-3
"""Share of the stamps that may deviate further; they are taken as late stamps of samples that were in time."""
REACH = 32
"""Samples on either side of the interpolation kernel, a sinc with a Kaiser window."""
ROUNDS, ENOUGH = 40, 1e-7
BLOCK_ROWS = 8192
TRIED_ROWS, TONES = 20_000, 48


@dataclass(frozen=True, eq=False)
class Stamps:
    """What the time stamps (n,) say.

    `missing` (n,) is the number of samples missing before each. `deviation` (n,) is the distance of each sample from
    its place on an even grid, in periods, late stamps set to 0; `jitter` is its standard deviation with them.
    `resolution_s` is what the stamps are rounded to, 0 if they are not.
    """

    rate_hz: float
    interval_hz: tuple[float, float]
    missing: np.ndarray
    deviation: Array
    jitter: float
    largest: float
    resolution_s: float
    drift_ppm: float
    late: int
    """Stamps that deviate by more than LARGEST_DEVIATION and are taken as late."""
    explained: bool
    """Whether rounding alone explains the deviations."""


def read_stamps(time_s: Array) -> Stamps:
    """Analyse stamps (n,) in s; AnalysisError if they do not rise, or are too irregular to carry a band."""
    steps = np.diff(time_s)
    if len(time_s) < FEWEST:
        raise AnalysisError(f"{len(time_s)} samples with a time are too few to measure a rate; it takes {FEWEST}")
    if np.any(steps <= 0):
        row = int(np.argmax(steps <= 0)) + 2
        raise AnalysisError(
            f"{np.count_nonzero(steps <= 0)} time stamps repeat or go back, the first at sample {row}: give --rate to "
            "ignore them"
        )
    period_s = float(np.median(steps))
    period_s = float(steps[np.abs(steps / period_s - 1) < 0.5].mean())
    if steps.max() > LONGEST_GAP_S:
        row = int(np.argmax(steps)) + 2
        raise AnalysisError(f"the time stamps jump by {steps.max():.3g} s at sample {row}; cut the file there")
    missing = np.zeros(len(time_s), np.int64)
    is_gap = (steps > GAP_PERIODS * period_s) & (np.append(steps[1:], period_s) >= CATCHES_UP * period_s)
    missing[1:] = np.where(is_gap, np.maximum(np.rint(steps / period_s) - 1, 1), 0)
    deviation = _deviation_s(time_s, missing) / period_s
    resolution_s = _resolution_s(time_s)
    jitter, largest = float(deviation.std()), float(np.abs(deviation).max())
    explained = largest <= 0.8 * resolution_s / period_s
    index = np.arange(len(time_s)) + np.cumsum(missing)
    fit = fit_rate(index, 1e6 * (time_s - time_s[0]), np.zeros(len(time_s), int))
    if fit is None:
        raise AnalysisError("the time stamps do not give a rate: give it with --rate")
    is_late = np.abs(deviation) > LARGEST_DEVIATION
    if is_late.mean() > MOST_LATE and not explained:
        raise AnalysisError(
            f"time stamps deviate by up to {largest:.2f} of a period, {100 * is_late.mean():.2g} % of them by over "
            f"{LARGEST_DEVIATION:g}: too irregular to carry any band; if only the stamps are irregular and the samples "
            "are even, give --rate"
        )
    return Stamps(
        rate_hz=fit.rate_hz,
        interval_hz=(fit.low_hz, fit.high_hz),
        missing=missing,
        deviation=np.where(is_late, 0.0, deviation),
        jitter=jitter,
        largest=largest,
        resolution_s=resolution_s,
        drift_ppm=_drift_ppm(index, time_s),
        late=int(is_late.sum()),
        explained=explained,
    )


def _deviation_s(time_s: Array, missing: np.ndarray) -> Array:
    """Seconds of each stamp from a straight line through its neighbours; no line crosses a gap."""
    deviation_s = np.zeros(len(time_s))
    for rows in np.split(np.arange(len(time_s)), np.flatnonzero(missing)):
        window = min(SMOOTHED, len(rows) - 1 + len(rows) % 2)
        if window > 2:
            deviation_s[rows] = time_s[rows] - scipy.signal.savgol_filter(time_s[rows], window, 1)
    return deviation_s


def _resolution_s(time_s: Array) -> float:
    """The largest 1, 2 or 5 times a power of ten that divides every stamp; 0 if below a nanosecond."""
    since_first = time_s - time_s[0]
    for exponent in range(0, -10, -1):
        for digit in (5.0, 2.0, 1.0):
            step_s = digit * 10.0**exponent
            if np.abs(since_first / step_s - np.rint(since_first / step_s)).max() < 1e-4:
                return step_s
    return 0.0


def _drift_ppm(index: np.ndarray, time_s: Array) -> float:
    """Change of the rate from the first third to the last."""
    first, *_, last = np.array_split(np.arange(len(index)), 3)
    first_hz, last_hz = (np.polyfit(time_s[rows] - time_s[rows[0]], index[rows], 1)[0] for rows in (first, last))
    return float((last_hz / first_hz - 1) * 1e6)


def resample(values: Array, deviation: Array) -> Array:
    """Values (n, axes) on the even grid, from samples that are `deviation` (n,) periods off it.

    Valid below CARRIED of the rate. Iterates Neumann's series: even samples are interpolated at the recorder's times,
    and corrected by their difference from the recorder's samples. The ends are extended by odd reflection.
    """
    margin = 8 * REACH
    even = np.empty_like(values)
    padded = np.pad(values, ((margin, margin), (0, 0)), mode="reflect", reflect_type="odd")
    padded_deviation = np.pad(deviation, margin)
    for start in range(0, len(values), BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, len(values))
        rows = slice(start, stop + 2 * margin)
        even[start:stop] = _resample_block(padded[rows], padded_deviation[rows])[margin : margin + stop - start]
    return even


def _resample_block(values: Array, deviation: Array) -> Array:
    offsets = np.arange(1 - REACH, REACH + 1)
    distance = deviation[:, None] - offsets
    weights = np.sinc(distance) * np.i0(8.0 * np.sqrt(np.clip(1 - (distance / REACH) ** 2, 0, None))) / np.i0(8.0)
    weights /= weights.sum(axis=1, keepdims=True)
    neighbours = np.clip(np.arange(len(values))[:, None] + offsets, 0, len(values) - 1)
    scale = max(float(np.ptp(values)), 1e-300)
    even = values.copy()
    for _ in range(ROUNDS):
        correction = values - np.einsum("nk,nka->na", weights, even[neighbours])
        even += correction
        if np.abs(correction).max() <= ENOUGH * scale:
            break
    return even


def resampling_errors(stamps: Stamps) -> tuple[float, float]:
    """R.m.s. errors relative to the signal, below CARRIED of the rate: without resampling, and with it.

    Measured on a sum of random tones in that band, sampled at the times of these samples.
    """
    rng = np.random.default_rng(1)
    deviation = stamps.deviation[:TRIED_ROWS]
    frequencies, phases = rng.uniform(0.0, CARRIED, TONES), rng.uniform(0, 2 * np.pi, TONES)

    def tones(periods: Array) -> Array:
        return np.cos(2 * np.pi * np.outer(periods, frequencies) + phases).sum(axis=1)

    grid = np.arange(len(deviation), dtype=float)
    truth, sampled = tones(grid), tones(grid + deviation)
    resampled = resample(sampled[:, None], deviation)[:, 0]
    inside = slice(8 * REACH, -8 * REACH) if len(deviation) > 32 * REACH else slice(None)
    size = truth[inside].std()
    return float((sampled - truth)[inside].std() / size), float((resampled - truth)[inside].std() / size)
