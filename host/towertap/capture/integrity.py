"""Checks whether a capture is sound: measures it once and applies every rule."""

import math
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from towertap.capture.conditions import Ending
from towertap.capture.continuity import EXACT, OVERFLOW, OVERFLOW_AT_LEAST, UNKNOWN
from towertap.capture.ending import ending_of
from towertap.capture.frame_table import frame_blocks
from towertap.capture.host_time import gap_lengths, started, utc
from towertap.capture.imported import NO_RANGE, UNPROVED, Origin
from towertap.capture.limits import Limits
from towertap.capture.rate import drift_of, rate_of, readings_of
from towertap.capture.reading import Capture
from towertap.capture.rules import RULES, Judgement, Measured
from towertap.capture.sweep import sweep
from towertap.doors.structured import from_json
from towertap.errors import FileError
from towertap.wire.frames import UNKNOWN_TEMPERATURE, Flag
from towertap.wire.messages import Status

LEAST_PASS_S = 10.0
"""The metrics' filters take 3.3 s to settle, and a shorter pass leaves too little road for the alignment."""


TOUCHING = {"clipping", "fifo_overflows"}
"""Rules about single moments: a pass that breaks no others is used without those moments. It is not repeated, because
a harsher part clips more and repeating would select by outcome."""


@dataclass(frozen=True)
class Integrity:
    """Result of `check`; the fields are the keys of its JSON."""

    sound: bool
    reasons: list[str]
    """Texts of the rules that fail."""
    rate_hz: float
    """True rate against the box clock; the nominal rate if there are too few frames for a fit."""
    rate_ppm: float | None
    """Deviation from the nominal rate."""
    rate_ppm_interval: tuple[float, float] | None
    """95 % interval."""
    rate_drift_ppm: float | None
    """From the first third to the last."""
    jitter_us: float | None
    started_utc: str | None
    """Time of the first sample, ISO 8601; the sidecar's `started_utc` if the clock readings do not bound it."""
    started_uncertainty_s: float | None
    """Uncertainty of `started_utc` against the host's clock; None if not known."""
    samples: int
    seconds: float
    missing_samples: int
    """Missing samples that can be counted."""
    gaps: list[dict[str, Any]]
    """`row`, `at_s` (None after a gap of unknown length), `missing` (None if not known), `exact` (else a lower bound),
    `seconds` and `seconds_uncertainty` (None if not known), `reason`, `clock_us` of the next frame."""
    lost_messages: int
    """Missing frames without samples; a lower bound."""
    ending: Ending
    bad_frames: int
    fifo_overflows: int
    clipped_samples: int
    clipped_s: tuple[float, ...]
    """Tenths of a second, from the first sample, in which the acceleration is clipped."""
    invalid_samples: int
    gravity_ms2: float | None
    """Specific force at rest; None if the box is never at rest for a second."""
    gravity_in_vehicle_ms2: tuple[float, float, float] | None
    """Specific force at rest, or else its mean over the drive, along the vehicle axes as declared."""
    temperature_c: tuple[float, float] | None
    rules: list[Judgement]
    from_box: bool = True
    """False if it is imported; then "sound" only means that no rule fails."""

    @property
    def touched(self) -> set[str]:
        """The rules of TOUCHING that fail, if no others do; else empty."""
        broken = {rule.name for rule in self.rules if rule.ok is False}
        return broken if broken <= TOUCHING else set()

    @property
    def no_pass(self) -> list[str]:
        """Why no comparison can use it as a pass; empty if one can."""
        short = [f"too short: {self.seconds:.1f} s, and a pass needs {LEAST_PASS_S:g} s"]
        return [*([] if self.touched else self.reasons), *(short if self.seconds < LEAST_PASS_S else [])]

    @property
    def remark(self) -> str:
        """Remark on a pass that is used although it is not sound; empty if there is none."""
        return f"{'; '.join(self.reasons)}: used without the moments concerned" if self.touched else ""

    def data(self) -> dict[str, Any]:
        """The answer for JSON."""
        return asdict(self)


def check(capture: Capture, limits: Limits | None = None) -> Integrity:
    """Measure an open capture and apply every rule; reads each dataset once, in blocks."""
    try:
        readings = readings_of(capture.file)
        rate, drift = rate_of(readings), drift_of(readings, capture.layout)
        statuses = _statuses(capture)
        overflows, temperature = _from_frames(capture, statuses)
        rate_hz = rate.rate_hz if rate else capture.rate_hz if capture.is_imported else capture.odr_hz
        start = started(capture, rate_hz)
        gaps = _gaps(capture, rate_hz)
    except OSError:
        raise FileError(f"{capture.path}: damaged capture: /frames cannot be read; decode it again") from None
    swept, source = sweep(capture), capture.origin
    if source:  # its counts never reach the end of their range; the import counted those at the recorder's
        swept = replace(swept, clipped=np.array(source.clipped), clipped_samples=source.clipped_samples)
    measured = Measured(capture, limits or Limits(), rate, drift, swept, gaps, overflows, temperature, statuses)
    rules = [Judgement(name, *rule(measured)) for name, rule in RULES.items()]
    if source:
        rules = [_unproved(rule, source) for rule in rules]
    reasons = [rule.text for rule in rules if rule.ok is False]
    return Integrity(
        sound=not reasons,
        reasons=reasons,
        rate_hz=rate_hz,
        rate_ppm=measured.ppm(rate.rate_hz) if rate else None,
        rate_ppm_interval=(measured.ppm(rate.low_hz), measured.ppm(rate.high_hz)) if rate else None,
        rate_drift_ppm=drift.ppm if drift else None,
        jitter_us=rate.jitter_us if rate else None,
        started_utc=utc(start) if start else capture.text("started_utc") or None,
        started_uncertainty_s=start.uncertainty_s if start else None,
        samples=capture.n_samples,
        seconds=capture.n_samples / rate_hz,
        missing_samples=measured.missing,
        gaps=gaps,
        lost_messages=measured.lost_messages,
        ending=ending_of(capture.host, capture.text("bye"))[0],
        bad_frames=measured.bad_frames,
        fifo_overflows=overflows,
        clipped_samples=measured.sweep.clipped_samples,
        clipped_s=tuple(np.unique(np.floor(capture.times_s(swept.clipped_rows) * 10) / 10).tolist()),
        invalid_samples=measured.sweep.invalid_samples,
        gravity_ms2=measured.gravity_ms2,
        gravity_in_vehicle_ms2=measured.gravity_in_vehicle_ms2,
        temperature_c=temperature,
        rules=rules,
        from_box=source is None,
    )


def _unproved(rule: Judgement, source: Origin) -> Judgement:
    """A rule's judgement of an imported capture; not judged if it needs what only a box sends."""
    if rule.name == "clipping" and rule.ok and not source.range_known:
        return replace(rule, ok=None, text=NO_RANGE)
    return replace(rule, value=None, ok=None, text=UNPROVED[rule.name]) if rule.name in UNPROVED else rule


def _statuses(capture: Capture) -> list[Status]:
    statuses = []
    for content in capture.table("status")["content"].tolist():
        with suppress(FileError):  # not JSON
            statuses.append(from_json(content, Status, "status"))
    return statuses


def _from_frames(capture: Capture, statuses: list[Status]) -> tuple[int, tuple[float, float] | None]:
    """FIFO overflows, by the source that counts most; lowest and highest temperature of the chip in °C."""
    flagged, words = 0, []
    for frames in frame_blocks(capture.file):
        flagged += int(np.count_nonzero(frames["flags"] & Flag.OVERFLOW))
        known = frames["temperature_raw"][frames["temperature_raw"] != UNKNOWN_TEMPERATURE]
        words += [known.min(), known.max()] if len(known) else []
    gaps = int(np.count_nonzero(np.isin(capture.gaps["reason"], (OVERFLOW, OVERFLOW_AT_LEAST))))
    reported = int(np.count_nonzero(capture.faults["fault"] == b"fifo_overflow"))
    overflows = max(flagged, gaps, reported, *(status.overflows for status in statuses), 0)
    if not words:
        return overflows, None
    low, high = capture.layout.temperature_c(np.array([min(words), max(words)])).tolist()
    return overflows, (low, high)


def _gaps(capture: Capture, rate_hz: float) -> list[dict[str, Any]]:
    """The gap table with the time of each gap from the capture's first sample, and its length."""
    before_s = 0.0
    gaps = []
    for gap, length in zip(capture.gaps.tolist(), gap_lengths(capture, rate_hz), strict=True):
        row, missing, reason, clock_us = gap
        gaps.append(
            {
                "row": row,
                "at_s": None if math.isnan(before_s) else row / rate_hz + before_s,
                "missing": None if missing == UNKNOWN else missing,
                "exact": reason in EXACT,
                "seconds": length and length.at_s,
                "seconds_uncertainty": length and length.uncertainty_s,
                "reason": reason.decode("ascii", "replace"),
                "clock_us": clock_us,
            }
        )
        if row:  # samples missing before the first one do not delay it
            before_s += length.at_s if length else math.nan
    return gaps
