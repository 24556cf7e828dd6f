"""From a file's rows to evenly spaced samples and the gaps between them."""

import math
from dataclasses import dataclass

import numpy as np

from towertap.capture.continuity import UNKNOWN
from towertap.capture.limits import Limits
from towertap.errors import CallError
from towertap.exchange.imports.columns import RecordedMotion
from towertap.exchange.imports.form import Decisions, FileContent, ImportOptions
from towertap.exchange.imports.stamps import EVEN, LARGEST_DEVIATION, Stamps, read_stamps, resample, resampling_errors
from towertap.signals.filters import CARRIED, Array
from towertap.wire.messages import RATES_HZ
from towertap.words.phrases import counted

SAME_RATE = 1e-5
"""Relative: the rate in an export's metadata is more exact than its stamps, and is used if they agree this well."""
SURE_PPM = 0.01
"""No rate is given more exactly than this, however well the stamps lie on a line."""
SMALLEST_VALUE, LARGEST_VALUE = 1e-6, 1e5
"""m/s² or rad/s: a vehicle sensor has more noise than the one (unless all is 0), and less range than the other."""


@dataclass(frozen=True, eq=False)
class EvenSamples:
    """Values (n, axes) in SI units, `missing` (n,) samples before each (UNKNOWN if not known), and the rate.

    `interval_hz` is the 95 % interval of the rate by the recorder's own clock, NaN without time stamps.
    """

    values: Array
    missing: np.ndarray
    rate_hz: float
    interval_hz: tuple[float, float]
    first_s: float
    """Time of the first sample in the file, or since the file's first row if it has no time."""


def even_samples(
    motion: RecordedMotion, content: FileContent, options: ImportOptions, decisions: Decisions
) -> EvenSamples:
    """Determine rate and gaps; CallError if nothing gives a rate, AnalysisError if the times are too irregular."""
    is_valid = np.isfinite(motion.values).all(axis=1)
    if motion.time_s is not None:
        is_valid &= np.isfinite(motion.time_s)
    rows = np.flatnonzero(is_valid)
    if len(rows) < 2:
        raise CallError("no two rows have a value on every axis: name other columns with --acceleration")
    empty = np.diff(rows, prepend=rows[0] - 1) - 1
    if count := int(empty.sum()):
        decisions.add("found", f"rows without a value on some axis, which are gaps: {count}")
    values = motion.values[rows]
    for axes in (values[:, :3], values[:, 3:]):
        if not SMALLEST_VALUE <= (largest := np.abs(axes).max(initial=0)) <= LARGEST_VALUE and largest:
            raise CallError(f"its values reach {largest:.3g} m/s² or rad/s: give another --unit or --rotation-unit")
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
        decisions.add("found", f"the rate is {rate_hz:.10g} Hz, by the file's header; its accuracy is not known")
    else:
        raise CallError("no time column is found, and no rate is given: name a column with --time, or give --rate")
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
        f"the rate is {stamps.rate_hz:.4f} Hz ± {max(half_ppm, SURE_PPM):.2g} ppm, by {len(stamps.missing)} time "
        f"stamps; their jitter is {100 * stamps.jitter:.2g} % of a period (one standard deviation), "
        f"{100 * stamps.largest:.2g} % at most",
    )
    if gaps := int(np.count_nonzero(stamps.missing)):
        missing = int(stamps.missing.sum())
        decisions.add("found", f"{counted(missing, 'sample')} missing in {counted(gaps, 'gap')}, by the time stamps")
    if abs(stamps.drift_ppm) > Limits.rate_drift_ppm:
        decisions.add(
            "found",
            f"the rate drifts by {stamps.drift_ppm:+.0f} ppm from the first third to the last; one rate is used",
        )
    return _plausible(stamps.rate_hz), stamps.interval_hz


def _on_grid(values: Array, stamps: Stamps, decisions: Decisions) -> Array:
    """The values on an even grid, resampled if their times deviate too far from it."""
    if stamps.explained:
        if stamps.largest > EVEN:
            decisions.add(
                "assumed",
                f"the samples are even: time is rounded to {stamps.resolution_s:g} s, which explains its jitter",
            )
        return values
    if stamps.late:
        decisions.add(
            "assumed",
            f"{stamps.late} samples are in time, and only their stamps are late by over {LARGEST_DEVIATION:g} periods",
        )
    if np.abs(stamps.deviation).max() <= EVEN:
        return values
    error_as_even, error = resampling_errors(stamps)
    decisions.add(
        "assumed",
        f"the time stamps are true, and the samples are resampled to even times: up to {CARRIED:g} of the rate that "
        f"leaves an error of {100 * error:.2g} % of the signal; taking them as even would leave "
        f"{100 * error_as_even:.2g} % (give --rate for that)",
    )
    pieces = np.split(np.arange(len(values)), np.flatnonzero(stamps.missing))
    return np.concatenate([resample(values[rows], stamps.deviation[rows]) for rows in pieces])


def _plausible(rate_hz: float) -> float:
    low_hz, high_hz = RATES_HZ
    if not low_hz <= rate_hz <= high_hz:
        raise CallError(f"a rate of {rate_hz:g} Hz is out of range: it must be from {low_hz:g} to {high_hz:g} Hz")
    return rate_hz
