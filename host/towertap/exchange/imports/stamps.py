"""What the time stamps of another recorder are worth: its rate, how far they stray, where samples are missing."""

from dataclasses import dataclass

import numpy as np
import scipy

from towertap.capture.rate import fit_rate
from towertap.errors import AnalysisError
from towertap.signals.filters import CARRIED, Array

GAP_PERIODS = 1.5
"""A longer step between stamps is a gap, unless the next is so much shorter: then a stamp was late."""
CATCHES_UP = 0.75
LONGEST_GAP_S = 1e6
"""Eleven days: beyond that it is another recording."""
SMOOTHED = 1025
"""Stamps around one from whose straight line its stray is counted: many, since their own strays are in the line."""
FEWEST = 200
EVEN = 0.02
"""Periods: stamps that stray less are those of even samples, for all that this can harm."""
LARGEST_STRAY = 0.25
"""Periods: samples that stray less carry the band below half the mean rate (Kadec 1964, the 1/4 theorem)."""
MOST_STRAGGLERS = 1e-3
"""Part of the stamps that may stray further: those are taken as late stamps of samples in time."""
REACH = 32
"""Samples to either side of the interpolating kernel, a sinc under a Kaiser window."""
ROUNDS, ENOUGH = 40, 1e-7
BLOCK_ROWS = 8192
TRIED_ROWS, TONES = 20_000, 48


@dataclass(frozen=True, eq=False)
class Stamps:
    """What the stamps (n,) of samples are worth.

    `missing` (n,) is how many samples are missing before each; `stray` (n,) how far each sample is from where the
    evenly spaced ones around it would have it, in periods, once rounding and late stamps are taken out; `jitter` its
    standard deviation before that. `resolution_s` is what the stamps are rounded to, 0 where they are not.
    """

    rate_hz: float
    interval_hz: tuple[float, float]
    missing: np.ndarray
    stray: Array
    jitter: float
    largest: float
    resolution_s: float
    drift_ppm: float
    late: int
    """Stamps that stray by more than LARGEST_STRAY, and are taken as late ones of samples in time."""
    explained: bool
    """Whether rounding alone explains how far they stray."""


def read_stamps(time_s: Array) -> Stamps:
    """Measure rising stamps (n,) in s; AnalysisError where they are none, or too irregular to carry a band."""
    steps = np.diff(time_s)
    if len(time_s) < FEWEST:
        raise AnalysisError(f"{len(time_s)} samples with a time: too few to tell a rate, which takes {FEWEST}")
    if np.any(steps <= 0):
        row = int(np.argmax(steps <= 0)) + 2
        raise AnalysisError(
            f"{np.count_nonzero(steps <= 0)} time stamps repeat or go back, the first at sample {row}: say --rate, and "
            "they are left aside"
        )
    period_s = float(np.median(steps))
    period_s = float(steps[np.abs(steps / period_s - 1) < 0.5].mean())
    if steps.max() > LONGEST_GAP_S:
        row = int(np.argmax(steps)) + 2
        raise AnalysisError(f"the time stamps jump by {steps.max():.3g} s at sample {row}: cut the file there")
    missing = np.zeros(len(time_s), np.int64)
    gap = np.append(steps > GAP_PERIODS * period_s, False)
    gap[:-1] &= np.append(steps[1:], period_s) >= CATCHES_UP * period_s
    missing[1:] = np.where(gap[:-1], np.maximum(np.rint(steps / period_s) - 1, 1), 0)
    stray = _stray(time_s, missing) / period_s
    resolution_s = _resolution(time_s)
    jitter, largest = float(stray.std()), float(np.abs(stray).max())
    explained = largest <= 0.8 * resolution_s / period_s
    index = np.arange(len(time_s)) + np.cumsum(missing)
    fit = fit_rate(index, 1e6 * (time_s - time_s[0]), np.zeros(len(time_s), int))
    if fit is None:
        raise AnalysisError("the time stamps do not tell a rate: say --rate")
    far = np.abs(stray) > LARGEST_STRAY
    if far.mean() > MOST_STRAGGLERS and not explained:
        raise AnalysisError(
            f"time stamps stray by up to {largest:.2f} of a period, {100 * far.mean():.2g} % of them by more than "
            f"{LARGEST_STRAY:g}: too irregular to carry any band; if the samples are even and only the stamps are not, "
            "say --rate"
        )
    return Stamps(
        rate_hz=fit.rate_hz,
        interval_hz=(fit.low_hz, fit.high_hz),
        missing=missing,
        stray=np.where(far, 0.0, stray),
        jitter=jitter,
        largest=largest,
        resolution_s=resolution_s,
        drift_ppm=_drift_ppm(index, time_s),
        late=int(far.sum()),
        explained=explained,
    )


def _stray(time_s: Array, missing: np.ndarray) -> Array:
    """Seconds of each stamp from a straight line through those around it, no line reaching over a gap."""
    stray = np.zeros(len(time_s))
    for rows in np.split(np.arange(len(time_s)), np.flatnonzero(missing)):
        window = min(SMOOTHED, len(rows) - 1 + len(rows) % 2)
        if window > 2:
            stray[rows] = time_s[rows] - scipy.signal.savgol_filter(time_s[rows], window, 1)
    return stray


def _resolution(time_s: Array) -> float:
    """The largest power of ten, times 1, 2 or 5, that every stamp is a multiple of; 0 below a nanosecond."""
    since_first = time_s - time_s[0]
    for exponent in range(0, -10, -1):
        for step in (5.0, 2.0, 1.0):
            unit = step * 10.0**exponent
            if np.abs(since_first / unit - np.rint(since_first / unit)).max() < 1e-4:
                return unit
    return 0.0


def _drift_ppm(index: np.ndarray, time_s: Array) -> float:
    """How much faster the last third was sampled than the first."""
    first, *_, last = np.array_split(np.arange(len(index)), 3)
    before, after = (np.polyfit(time_s[rows] - time_s[rows[0]], index[rows], 1)[0] for rows in (first, last))
    return float((after / before - 1) * 1e6)


def evened_out(values: Array, stray: Array) -> Array:
    """Values (n, axes) where evenly spaced samples would have been, of samples that `stray` (n,) periods from there.

    Below CARRIED of the rate, by the iteration of Neumann's series: what even samples y would have been is corrected
    by what the recorder's samples are beside those that y gives at their times. The ends are continued point by point.
    """
    margin = 8 * REACH
    even = np.empty_like(values)
    padded = np.pad(values, ((margin, margin), (0, 0)), mode="reflect", reflect_type="odd")
    apart = np.pad(stray, margin)
    for start in range(0, len(values), BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, len(values))
        rows = slice(start, stop + 2 * margin)
        even[start:stop] = _evened_block(padded[rows], apart[rows])[margin : margin + stop - start]
    return even


def _evened_block(values: Array, stray: Array) -> Array:
    at = np.arange(1 - REACH, REACH + 1)
    away = stray[:, None] - at
    weights = np.sinc(away) * np.i0(8.0 * np.sqrt(np.clip(1 - (away / REACH) ** 2, 0, None))) / np.i0(8.0)
    weights /= weights.sum(axis=1, keepdims=True)
    near = np.clip(np.arange(len(values))[:, None] + at, 0, len(values) - 1)
    scale = max(float(np.ptp(values)), 1e-300)
    even = values.copy()
    for _ in range(ROUNDS):
        correction = values - np.einsum("nk,nka->na", weights, even[near])
        even += correction
        if np.abs(correction).max() <= ENOUGH * scale:
            break
    return even


def errors_of(stamps: Stamps) -> tuple[float, float]:
    """R.m.s. error relative to the signal, below CARRIED of the rate: taken as even, and evened out.

    Measured on tones at random up to there, whose values are known at any time, sampled where these samples were.
    """
    rng = np.random.default_rng(1)
    stray = stamps.stray[:TRIED_ROWS]
    turns, phases = rng.uniform(0.0, CARRIED, TONES), rng.uniform(0, 2 * np.pi, TONES)

    def tones(at: Array) -> Array:
        return np.cos(2 * np.pi * np.outer(at, turns) + phases).sum(axis=1)

    at = np.arange(len(stray), dtype=float)
    truth, taken = tones(at), tones(at + stray)
    even = evened_out(taken[:, None], stray)[:, 0]
    inside = slice(8 * REACH, -8 * REACH) if len(stray) > 32 * REACH else slice(None)
    size = truth[inside].std()
    return float((taken - truth)[inside].std() / size), float((even - truth)[inside].std() / size)
