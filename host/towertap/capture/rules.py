"""The rules by which a capture is sound: one function and one line in the table each, with every limit named here."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from towertap.capture.rate import Rate
from towertap.capture.reading import Capture
from towertap.capture.sweep import AXES, Sweep
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

RATE_PPM = 50_000
"""A chip's own oscillator is off by up to a few percent; beyond five the rate set is not the rate that runs."""
RATE_INTERVAL_PPM = 200
"""An error of rate goes one to one into jerk and frequencies; 0.02 % is far below what any comparison resolves."""
JITTER_PERIODS = 1.0
"""A reading may come anywhere within a sample period; scattered wider, clock and counter do not belong together."""
MISSING_SHARE = 1e-3
"""Windows across gaps are left out, so a few known gaps cost little; more points to a fault of cable or host."""
BAD_FRAME_SHARE = 1e-3
"""As for missing samples; one bad frame is always allowed, the one that ends a cut recording."""
QUIET_SHARE_OF_NOISE = 0.25
"""A live axis shows the data sheet's noise density over the filter's bandwidth; a quarter leaves room."""
GRAVITY_MS2 = 9.81
GRAVITY_TOLERANCE_MS2 = 0.5
"""Some 50 mg: the data sheet's zero-g offset (20 mg an axis) and sensitivity, and the Earth's own span of 0.05 m/s²."""
REST_ACCELERATION_MS2 = 0.15
"""Standard deviation of each axis over a second at rest: above the chip's noise, below any rolling vehicle's."""
REST_ROTATION_RADS = math.radians(1.0)
"""The same of the rotation rate."""
REST_TURNING_RADS = math.radians(3.0)
"""Mean rotation rate at rest: the gyroscope's own zero offset."""
COLDEST_C, HOTTEST_C = -40.0, 85.0
"""The chip's operating range (data sheet)."""
TEMPERATURE_SPAN_C = 30.0
"""Zero offset moves by some 0.15 mg/°C (data sheet): over more than this, start and end are not the same instrument."""
HARMLESS_FAULTS = (b"bad_command", b"fifo_overflow")
"""A command that the box refused harms no sample; overflows have a rule of their own."""


@dataclass(frozen=True)
class Rule:
    """A rule's answer; `ok` is None when the capture does not let it be judged."""

    name: str
    value: Any
    limit: Any
    ok: bool | None
    text: str


@dataclass(frozen=True)
class Measured:
    """All that the rules judge."""

    capture: Capture
    rate: Rate | None
    sweep: Sweep
    gaps: list[dict[str, Any]]
    overflows: int
    temperature_c: tuple[float, float] | None

    def ppm(self, rate_hz: float) -> float:
        """A rate's deviation from the nominal one."""
        return (rate_hz / self.capture.odr_hz - 1) * 1e6

    @property
    def missing(self) -> int:
        """Missing samples as far as they could be counted."""
        return sum(gap["missing"] or 0 for gap in self.gaps)

    @property
    def bad_frames(self) -> int:
        """Damaged frames in the raw recording."""
        return int(self.capture.file.attrs["bad_frames"])

    @cached_property
    def gravity_ms2(self) -> float | None:
        """Median over the seconds at rest of the mean acceleration's magnitude; None when no second was at rest."""
        still = np.all(self.sweep.spread[:, :3] * self.capture.scale_ms2 < REST_ACCELERATION_MS2, axis=1)
        still &= np.all(self.sweep.spread[:, 3:] * self.capture.scale_rads < REST_ROTATION_RADS, axis=1)
        still &= np.all(np.abs(self.sweep.mean[:, 3:]) * self.capture.scale_rads < REST_TURNING_RADS, axis=1)
        magnitudes = np.linalg.norm(self.sweep.mean[still, :3], axis=1) * self.capture.scale_ms2
        return float(np.median(magnitudes)) if len(magnitudes) else None


def _rate(m: Measured) -> Rule:
    if m.rate is None:
        text = "true rate: too few frames to fit it against the box clock; record for at least a few seconds"
        return Rule("rate", None, RATE_PPM, False, text)
    ppm, low, high = (m.ppm(rate) for rate in (m.rate.rate_hz, m.rate.low_hz, m.rate.high_hz))
    text = (
        f"true rate {m.rate.rate_hz:.4f} Hz, {ppm:+.1f} ppm from nominal (95 % interval {low:+.1f} to {high:+.1f} ppm)"
    )
    ok = abs(ppm) <= RATE_PPM
    return Rule(
        "rate", ppm, RATE_PPM, ok, text if ok else f"{text}: not the rate that was set ({m.capture.odr_hz:g} Hz)"
    )


def _rate_interval(m: Measured) -> Rule:
    if m.rate is None:
        return Rule("rate_interval", None, RATE_INTERVAL_PPM, None, "interval of the rate: not judged, no fit")
    half = (m.ppm(m.rate.high_hz) - m.ppm(m.rate.low_hz)) / 2
    text = f"rate known to ±{half:.1f} ppm (limit ±{RATE_INTERVAL_PPM})"
    return Rule("rate_interval", half, RATE_INTERVAL_PPM, half <= RATE_INTERVAL_PPM, text)


def _jitter(m: Measured) -> Rule:
    limit = JITTER_PERIODS * 1e6 / m.capture.odr_hz
    if m.rate is None:
        return Rule("jitter", None, limit, None, "jitter: not judged, no fit")
    text = f"jitter of the readings {m.rate.jitter_us:.1f} µs (limit one sample period, {limit:.0f} µs)"
    return Rule("jitter", m.rate.jitter_us, limit, m.rate.jitter_us <= limit, text)


def _missing(m: Measured) -> Rule:
    share = m.missing / (m.missing + m.capture.n_samples)
    unknown = sum(not gap["exact"] for gap in m.gaps)
    where = ", ".join(_place(gap) for gap in m.gaps[:3]) + (", …" if len(m.gaps) > 3 else "")
    text = f"{'at least ' if unknown else ''}{_some(m.missing, 'sample')} missing in {_some(len(m.gaps), 'gap')}"
    text += f" ({share:.4%}, limit {MISSING_SHARE:.1%}): {where}" if m.gaps else ""
    text += f"; {_some(unknown, 'gap')} of unknown length" if unknown else ""
    return Rule("missing", m.missing, MISSING_SHARE, share <= MISSING_SHARE and not unknown, text)


def _place(gap: dict[str, Any]) -> str:
    at = f"at {gap['at_s']:.3f} s" if gap["at_s"] is not None else f"before row {gap['row']}"
    number = "?" if gap["missing"] is None else f"{'' if gap['exact'] else '≥ '}{gap['missing']}"
    return f"{number} {at} ({gap['reason'].removesuffix('_at_least').replace('_', ' ')})"


def _some(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _bad_frames(m: Measured) -> Rule:
    limit = max(1.0, BAD_FRAME_SHARE * m.capture.file["frames"].shape[0])
    skipped = int(m.capture.file.attrs["skipped_bytes"])
    text = f"{_some(m.bad_frames, 'bad frame')}, {_some(skipped, 'raw byte')} skipped (limit {limit:.0f} frames)"
    return Rule("bad_frames", m.bad_frames, limit, m.bad_frames <= limit, text)


def _overflows(m: Measured) -> Rule:
    text = _some(m.overflows, "FIFO overflow")
    if m.overflows:
        text += ": the box did not keep up with its chip; record again, at a lower rate if it stays"
    return Rule("fifo_overflows", m.overflows, 0, m.overflows == 0, text)


def _faults(m: Measured) -> Rule:
    faults = m.capture.faults
    names = [fault.decode("utf-8", "replace") for fault in faults["fault"] if fault not in HARMLESS_FAULTS]
    text = f"the box reported {', '.join(sorted(set(names)))}" if names else "no faults reported by the box"
    return Rule("faults", names, [], not names, text)


def _clipping(m: Measured) -> Rule:
    text = _some(m.sweep.clipped_samples, "clipped sample")
    if m.sweep.clipped_samples:
        axes = ", ".join(f"{axis} {n}" for axis, n in zip(AXES, m.sweep.clipped, strict=True) if n)
        text += f" ({axes}): the true peaks are not known; mount the box where it is hit less, or set a larger range"
    return Rule("clipping", m.sweep.clipped_samples, 0, m.sweep.clipped_samples == 0, text)


def _invalid(m: Measured) -> Rule:
    text = f"{_some(m.sweep.invalid_samples, 'sample')} without a valid reading"
    return Rule("invalid", m.sweep.invalid_samples, 0, m.sweep.invalid_samples == 0, text)


def _stuck(m: Measured) -> Rule:
    still = m.sweep.lowest == m.sweep.highest
    stuck = [axis for axis, seconds in zip(AXES, still.T, strict=True) if seconds.any()]
    text = "no axis stuck"
    if stuck:
        first_s = int(still.any(axis=1).argmax()) * m.sweep.window_rows / m.capture.odr_hz
        text = (
            f"stuck for a second or more: {', '.join(stuck)}, first at {first_s:.0f} s; check the sensor and its wiring"
        )
    return Rule("stuck_axis", stuck, [], not stuck, text)


def _dead(m: Measured) -> Rule:
    floor = noise_floor_counts(m.capture)
    share = np.median(m.sweep.spread, axis=0) / floor
    dead = [axis for axis, part in zip(AXES, share, strict=True) if part < QUIET_SHARE_OF_NOISE]
    text = f"every axis alive (the quietest shows {share.min():.1f} × the chip's noise floor)"
    if dead:
        text = f"dead, far below the chip's own noise: {', '.join(dead)}; check the sensor"
    return Rule("dead_axis", float(share.min()), QUIET_SHARE_OF_NOISE, not dead, text)


def noise_floor_counts(capture: Capture) -> np.ndarray:
    """(6,) r.m.s. noise in counts that the data sheet's densities give over the filter's bandwidth."""
    anti_alias = float(capture.file.attrs["anti_alias_hz"])
    bandwidth_hz = min(anti_alias, capture.odr_hz / 2) if anti_alias > 0 else capture.odr_hz / 4
    acceleration = capture.layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2 / capture.scale_ms2
    rotation = math.radians(capture.layout.noise_dps_per_rthz) / capture.scale_rads
    return np.repeat([acceleration, rotation], 3) * math.sqrt(bandwidth_hz)


def _gravity(m: Measured) -> Rule:
    if m.gravity_ms2 is None:
        return Rule("gravity", None, GRAVITY_TOLERANCE_MS2, None, "gravity: not judged, no second at rest was found")
    ok = abs(m.gravity_ms2 - GRAVITY_MS2) <= GRAVITY_TOLERANCE_MS2
    text = f"gravity at rest {m.gravity_ms2:.3f} m/s² (limit {GRAVITY_MS2} ± {GRAVITY_TOLERANCE_MS2})"
    return Rule("gravity", m.gravity_ms2, GRAVITY_TOLERANCE_MS2, ok, text)


def _temperature(m: Measured) -> Rule:
    if m.temperature_c is None:
        return Rule("temperature", None, TEMPERATURE_SPAN_C, None, "temperature: not judged, the box told none")
    low, high = m.temperature_c
    ok = high - low <= TEMPERATURE_SPAN_C and low >= COLDEST_C and high <= HOTTEST_C
    text = f"chip at {low:.1f} to {high:.1f} °C (limit: a span of {TEMPERATURE_SPAN_C:.0f} °C within {COLDEST_C:.0f} to"
    return Rule("temperature", high - low, TEMPERATURE_SPAN_C, ok, f"{text} {HOTTEST_C:.0f} °C)")


def _ending(m: Measured) -> Rule:
    ended = bool(m.capture.text("bye"))
    text = (
        "the recording was ended by the box's bye"
        if ended
        else "no bye from the box: the recording was cut, and may go on"
    )
    return Rule("ending", ended, True, True if ended else None, text)


RULES: tuple[Callable[[Measured], Rule], ...] = (
    _rate,
    _rate_interval,
    _jitter,
    _missing,
    _bad_frames,
    _overflows,
    _faults,
    _clipping,
    _invalid,
    _stuck,
    _dead,
    _gravity,
    _temperature,
    _ending,
)
