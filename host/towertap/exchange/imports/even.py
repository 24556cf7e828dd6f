"""From a file's rows to samples on an even grid, with what is missing between them."""

import math
from dataclasses import dataclass

import numpy as np

from towertap.capture.continuity import UNKNOWN
from towertap.capture.limits import Limits
from towertap.errors import CallError
from towertap.exchange.imports.columns import RecordedMotion
from towertap.exchange.imports.form import Decisions, FileContent, ImportOptions
from towertap.exchange.imports.stamps import EVEN, LARGEST_STRAY, Stamps, errors_of, evened_out, read_stamps
from towertap.signals.filters import CARRIED, Array
from towertap.wire.messages import RATES_HZ

SAME_RATE = 1e-5
"""An export of ours tells its rate to more digits than its stamps do; further apart they are not of one file."""
SURE_PPM = 0.01
"""No recorder's clock is told better than this, however well its stamps lie on a line."""
SMALLEST_VALUE, LARGEST_VALUE = 1e-6, 1e5
"""In m/s² or rad/s: no sensor for a vehicle reaches this, and none has less noise than that, unless it is all 0."""


@dataclass(frozen=True, eq=False)
class EvenSamples:
    """Values (n, axes) in SI units, `missing` (n,) samples before each (UNKNOWN: nobody knows how many), and the rate.

    `interval_hz` is 95 % of the rate by the recorder's own clock, NaN where its stamps do not tell it.
    """

    values: Array
    missing: np.ndarray
    rate_hz: float
    interval_hz: tuple[float, float]
    first_s: float
    """When the first was made by the file's time, or after the file's first row where it has none."""


def even_samples(
    motion: RecordedMotion, content: FileContent, options: ImportOptions, decisions: Decisions
) -> EvenSamples:
    """Settle the rate and the gaps; CallError where nothing tells a rate, AnalysisError for times too irregular."""
    there = np.isfinite(motion.values).all(axis=1)
    if motion.time_s is not None:
        there &= np.isfinite(motion.time_s)
    rows = np.flatnonzero(there)
    if len(rows) < 2:
        raise CallError("no two rows hold a value on every axis: name other columns with --acceleration")
    empty = np.diff(rows, prepend=rows[0] - 1) - 1
    if count := int(empty.sum()):
        decisions.add("found", f"{count} rows without a value on every axis: they are gaps")
    values = motion.values[rows]
    for axes in (values[:, :3], values[:, 3:]):
        if not SMALLEST_VALUE <= (largest := np.abs(axes).max(initial=0)) <= LARGEST_VALUE and largest:
            raise CallError(f"its values reach {largest:.3g} in m/s² or rad/s: say another --unit or --rotation-unit")
    if motion.time_s is None:
        rate_hz, interval_hz = _rate_without_stamps(content, options, decisions)
        return EvenSamples(values, empty, rate_hz, interval_hz, float(rows[0] / rate_hz))
    stamps = read_stamps(motion.time_s[rows])
    missing = np.where((empty > 0) & (stamps.missing == 0), UNKNOWN, stamps.missing)
    rate_hz, interval_hz = _rate_of(stamps, content, decisions)
    first_s = float(motion.time_s[rows[0]])
    return EvenSamples(_on_grid(values, stamps, decisions), missing, rate_hz, interval_hz, first_s)


def _rate_without_stamps(
    content: FileContent, options: ImportOptions, decisions: Decisions
) -> tuple[float, tuple[float, float]]:
    if options.rate_hz is not None:
        rate_hz = options.rate_hz
        decisions.add("told", f"the rate is {rate_hz:g} Hz, and the samples are evenly spaced")
    elif content.rate_hz is not None:
        rate_hz = content.rate_hz
        decisions.add("found", f"the rate is {rate_hz:.10g} Hz, by the file's head; nothing shows how true it is")
    else:
        raise CallError("no column of time is found, and no rate is told: name one with --time, or say --rate")
    low_hz, high_hz = content.metadata.rate_interval_hz or (math.nan, math.nan)
    return _plausible(rate_hz), (low_hz, high_hz)


def _rate_of(stamps: Stamps, content: FileContent, decisions: Decisions) -> tuple[float, tuple[float, float]]:
    metadata_hz = content.metadata.rate_hz
    if metadata_hz and abs(stamps.rate_hz / metadata_hz - 1) < SAME_RATE:
        decisions.add("found", f"the rate is {metadata_hz:.10g} Hz, by the file's metadata; its time stamps agree")
        low_hz, high_hz = content.metadata.rate_interval_hz or stamps.interval_hz
        return _plausible(metadata_hz), (low_hz, high_hz)
    half_ppm = (stamps.interval_hz[1] - stamps.interval_hz[0]) / stamps.rate_hz / 2 * 1e6
    decisions.add(
        "found",
        f"the rate is {stamps.rate_hz:.4f} Hz ± {max(half_ppm, SURE_PPM):.2g} ppm, by {len(stamps.stray)} time stamps; "
        f"they stray by {100 * stamps.jitter:.2g} % of a period (one standard deviation), by "
        f"{100 * stamps.largest:.2g} % at most",
    )
    if gaps := int(np.count_nonzero(stamps.missing)):
        decisions.add("found", f"{int(stamps.missing.sum())} samples are missing in {gaps} gaps, by the time stamps")
    if abs(stamps.drift_ppm) > Limits.rate_drift_ppm:
        decisions.add(
            "found",
            f"the rate drifts by {stamps.drift_ppm:+.0f} ppm from the first third to the last, and is read as one",
        )
    return _plausible(stamps.rate_hz), stamps.interval_hz


def _on_grid(values: Array, stamps: Stamps, decisions: Decisions) -> Array:
    """The values where even samples lie, evened out where they stray too far to be taken as such."""
    if stamps.explained:
        if stamps.largest > EVEN:
            decisions.add(
                "assumed",
                f"the samples are even: time is rounded to {stamps.resolution_s:g} s, which explains how far it strays",
            )
        return values
    if stamps.late:
        decisions.add(
            "assumed", f"{stamps.late} samples are in time and only their stamps late by over {LARGEST_STRAY:g} periods"
        )
    if np.abs(stamps.stray).max() <= EVEN:
        return values
    as_even, evened = errors_of(stamps)
    decisions.add(
        "assumed",
        f"the time stamps are true, and the samples are evened out by them: up to {CARRIED:g} of the rate that leaves "
        f"an error of {100 * evened:.2g} % of the signal; to take them as even would make one of {100 * as_even:.2g} % "
        "(say --rate for that)",
    )
    pieces = np.split(np.arange(len(values)), np.flatnonzero(stamps.missing))
    return np.concatenate([evened_out(values[rows], stamps.stray[rows]) for rows in pieces])


def _plausible(rate_hz: float) -> float:
    if not RATES_HZ[0] <= rate_hz <= RATES_HZ[1]:
        low, high = RATES_HZ
        raise CallError(f"a rate of {rate_hz:g} Hz is none of a recorder: it must be from {low:g} to {high:g} Hz")
    return rate_hz
