"""The limits for a sound capture, each with its unit and reason."""

from dataclasses import dataclass, field
from typing import Any


def _limit(value: float, unit: str, why: str, *, lowest: bool = False) -> Any:
    """A field with the limit's default; `lowest` marks a lower limit."""
    return field(default=value, metadata={"unit": unit, "why": why, "lowest": lowest})


@dataclass(frozen=True)
class Limits:
    """The limits that the rules apply."""

    rate_ppm: float = _limit(
        50_000,
        "ppm",
        "A chip's oscillator is off by up to a few percent; beyond five the chip does not run at the rate set.",
    )
    rate_interval_ppm: float = _limit(
        200,
        "ppm",
        "A rate error enters jerk and frequencies one to one; 0.02 % is far below what any comparison resolves.",
    )
    rate_drift_ppm: float = _limit(
        2_000,
        "ppm",
        "A capture is read at one rate, so half the drift is the error at its ends: 0.1 %, which is negligible.",
    )
    jitter_periods: float = _limit(
        1.0,
        "sample periods",
        "A clock reading may fall anywhere within a period; wider scatter means that clock and counter do not match.",
    )
    missing_share: float = _limit(
        1e-3,
        "of the samples",
        "Windows across gaps are left out, so a few known gaps cost little; more suggest a fault of cable or host.",
    )
    bad_frame_share: float = _limit(
        1e-3,
        "of the frames",
        "Same reason as for missing samples; one bad frame is always allowed, because a cut recording ends with one.",
    )
    fifo_overflows: float = _limit(
        0, "overflows", "A box that falls behind its chip once may do so again on a rough road, where it matters."
    )
    lost_messages: float = _limit(
        0, "messages", "One of them may have reported a fault, so faults are not known; repeating a drive is quick."
    )
    clipped_samples: float = _limit(
        0, "samples", "If a sample is clipped, the peak and everything that depends on it are unknown."
    )
    invalid_samples: float = _limit(0, "samples", "The chip had no valid reading, and no value may be made up for it.")
    noise_share: float = _limit(
        0.25,
        "of the noise floor",
        "A live axis shows the data sheet's noise density over the filter's bandwidth; a quarter leaves a margin.",
        lowest=True,
    )
    gravity_tolerance_ms2: float = _limit(
        0.5,
        "m/s²",
        "About 50 mg: zero-g offset (20 mg per axis) and sensitivity (data sheet), and the Earth's span of 0.05 m/s².",
    )
    mounting_deg: float = _limit(
        15.0,
        "°",
        "A 10 % slope tilts by 6°, a box mounted by eye by as much again; a wrong axis is off by 90° or 180°.",
    )
    temperature_span_c: float = _limit(
        30.0,
        "°C",
        "Zero offset drifts by about 0.15 mg/°C (data sheet): over a larger span, start and end are not comparable.",
    )
    coldest_c: float = _limit(-40.0, "°C", "The chip's operating range (data sheet).", lowest=True)
    hottest_c: float = _limit(85.0, "°C", "The chip's operating range (data sheet).")
