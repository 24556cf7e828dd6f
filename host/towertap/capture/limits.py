"""The limits by which a capture is sound: each with name, unit and reason."""

from dataclasses import dataclass, field
from typing import Any


def _limit(value: float, unit: str, why: str, *, lowest: bool = False) -> Any:
    """A limit's built-in value; `lowest` when what is measured must not lie below it."""
    return field(default=value, metadata={"unit": unit, "why": why, "lowest": lowest})


@dataclass(frozen=True)
class Limits:
    """What the rules allow."""

    rate_ppm: float = _limit(
        50_000,
        "ppm",
        "A chip's own oscillator is off by up to a few percent; beyond five the rate set is not the rate that runs.",
    )
    rate_interval_ppm: float = _limit(
        200,
        "ppm",
        "An error of rate goes one to one into jerk and frequencies; 0.02 % is far below what any comparison resolves.",
    )
    rate_drift_ppm: float = _limit(
        2_000,
        "ppm",
        "The whole is read with one rate, so half the drift is the error at its ends: 0.1 %, as little as any other.",
    )
    jitter_periods: float = _limit(
        1.0,
        "sample periods",
        "A reading may come anywhere within a period; scattered wider, clock and counter do not belong together.",
    )
    missing_share: float = _limit(
        1e-3,
        "of the samples",
        "Windows across gaps are left out, so a few known gaps cost little; more points to a fault of cable or host.",
    )
    bad_frame_share: float = _limit(
        1e-3,
        "of the frames",
        "As for missing samples; one bad frame is always allowed, the one that ends a cut recording.",
    )
    fifo_overflows: float = _limit(
        0, "overflows", "A box that cannot keep up with its chip once will not when the road is rough, and it matters."
    )
    lost_messages: float = _limit(
        0, "messages", "A fault may have been among them, so that nothing is known of faults; a drive is soon repeated."
    )
    clipped_samples: float = _limit(
        0, "samples", "Where a sample is clipped the peak is not known, nor what depends on it."
    )
    invalid_samples: float = _limit(0, "samples", "The chip had no valid reading: nothing may stand in its place.")
    noise_share: float = _limit(
        0.25,
        "of the noise floor",
        "A live axis shows the data sheet's noise density over the filter's bandwidth; a quarter leaves room.",
        lowest=True,
    )
    gravity_tolerance_ms2: float = _limit(
        0.5,
        "m/s²",
        "Some 50 mg: the data sheet's zero-g offset (20 mg an axis) and sensitivity, the Earth's span of 0.05 m/s².",
    )
    mounting_deg: float = _limit(
        15.0,
        "°",
        "A slope of 10 % leans by 6°, a box set down by eye by as much; a wrong axis by 90° or 180°.",
    )
    temperature_span_c: float = _limit(
        30.0,
        "°C",
        "Zero offset moves by some 0.15 mg/°C (data sheet): over more, start and end are not the same instrument.",
    )
    coldest_c: float = _limit(-40.0, "°C", "The chip's operating range (data sheet).", lowest=True)
    hottest_c: float = _limit(85.0, "°C", "The chip's operating range (data sheet).")
