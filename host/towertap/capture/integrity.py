"""Proves a capture sound, or says why it is not: measures it once and holds it to the table of rules."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from towertap.capture.continuity import EXACT, UNKNOWN
from towertap.capture.rate import Rate, frame_blocks, rate_of
from towertap.capture.reading import Capture
from towertap.capture.rules import RULES, Measured, Rule
from towertap.capture.sweep import sweep
from towertap.errors import CaptureError
from towertap.wire.frames import UNKNOWN_TEMPERATURE, Flag


@dataclass(frozen=True)
class Integrity:
    """What `check` found; the fields are the keys of its JSON."""

    sound: bool
    reasons: list[str]
    """The texts of the rules that do not hold."""
    rate_hz: float
    """True rate against the box clock; the nominal one when there are too few frames to fit."""
    rate_ppm: float | None
    """Deviation from the nominal rate."""
    rate_ppm_interval: tuple[float, float] | None
    """95 % interval."""
    jitter_us: float | None
    samples: int
    seconds: float
    missing_samples: int
    """Missing samples that could be counted."""
    gaps: list[dict[str, Any]]
    """`row`, `at_s` (None after a gap of unknown length), `missing` (None when not known), `exact` (or a lower bound),
    `reason`, `clock_us` of the frame after."""
    bad_frames: int
    fifo_overflows: int
    clipped_samples: int
    invalid_samples: int
    gravity_ms2: float | None
    temperature_c: tuple[float, float] | None
    rules: list[Rule]

    def data(self) -> dict[str, Any]:
        """The answer for JSON."""
        return asdict(self)


def check(capture: Capture) -> Integrity:
    """Measure an open capture and judge it by every rule; reads each dataset once, in blocks."""
    try:
        rate = rate_of(capture.file)
        overflows, temperature = _from_frames(capture)
    except OSError:
        raise CaptureError(f"{capture.path}: damaged capture: /frames cannot be read; decode it again") from None
    gaps = _gaps(capture, rate)
    measured = Measured(capture, rate, sweep(capture), gaps, overflows, temperature)
    rules = [rule(measured) for rule in RULES]
    reasons = [rule.text for rule in rules if rule.ok is False]
    return Integrity(
        sound=not reasons,
        reasons=reasons,
        rate_hz=rate.rate_hz if rate else capture.odr_hz,
        rate_ppm=measured.ppm(rate.rate_hz) if rate else None,
        rate_ppm_interval=(measured.ppm(rate.low_hz), measured.ppm(rate.high_hz)) if rate else None,
        jitter_us=rate.jitter_us if rate else None,
        samples=capture.n_samples,
        seconds=capture.n_samples / (rate.rate_hz if rate else capture.odr_hz),
        missing_samples=measured.missing,
        gaps=gaps,
        bad_frames=measured.bad_frames,
        fifo_overflows=overflows,
        clipped_samples=measured.sweep.clipped_samples,
        invalid_samples=measured.sweep.invalid_samples,
        gravity_ms2=measured.gravity_ms2,
        temperature_c=temperature,
        rules=rules,
    )


def _from_frames(capture: Capture) -> tuple[int, tuple[float, float] | None]:
    """FIFO overflows, and the lowest and highest temperature of the chip in °C."""
    overflows, words = 0, []
    for frames in frame_blocks(capture.file):
        overflows += int(np.count_nonzero(frames["flags"] & Flag.OVERFLOW))
        known = frames["temperature_raw"][frames["temperature_raw"] != UNKNOWN_TEMPERATURE]
        words += [known.min(), known.max()] if len(known) else []
    reported = int(np.count_nonzero(capture.faults["fault"] == b"fifo_overflow"))
    if not words:
        return max(overflows, reported), None
    low, high = capture.layout.temperature_c(np.array([min(words), max(words)])).tolist()
    return max(overflows, reported), (low, high)


def _gaps(capture: Capture, rate: Rate | None) -> list[dict[str, Any]]:
    """The gap table with the time of each gap from the capture's first sample."""
    rate_hz = rate.rate_hz if rate else capture.odr_hz
    before: float = 0
    gaps = []
    for row, missing, reason, clock_us in capture.gaps.tolist():
        at_s = None if math.isnan(before) else (row + before) / rate_hz
        gaps.append(
            {
                "row": row,
                "at_s": at_s,
                "missing": None if missing == UNKNOWN else missing,
                "exact": reason in EXACT,
                "reason": reason.decode("ascii", "replace"),
                "clock_us": clock_us,
            }
        )
        if row:  # what is missing before the first sample does not delay it
            before += missing if reason in EXACT else math.nan
    return gaps
