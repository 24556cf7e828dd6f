"""The rules by which a capture is sound: one function and one line in the table each; the limits stand in limits.py."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from towertap.capture.limits import Limits
from towertap.capture.rate import Drift, Rate
from towertap.capture.reading import Capture
from towertap.capture.sweep import Sweep

GRAVITY_MS2 = 9.81
"""Where towns lie, between 9.78 and 9.83 (International Gravity Formula 1980)."""
REST_ACCELERATION_MS2 = 0.15
"""Standard deviation of each axis over a second at rest: above the chip's noise, below any rolling vehicle's."""
REST_ROTATION_RADS = math.radians(1.0)
"""The same of the rotation rate."""
REST_TURNING_RADS = math.radians(3.0)
"""Mean rotation rate at rest: the gyroscope's own zero offset."""
COMPLETE = "complete"
"""What the recorder writes into the sidecar when it has heard the box's bye after the seconds asked for."""
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
    limits: Limits
    rate: Rate | None
    drift: Drift | None
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
        spread, mean = (counts * self.capture.axis_scales for counts in (self.sweep.spread, self.sweep.mean))
        still = np.all(spread[:, :3] < REST_ACCELERATION_MS2, axis=1)
        still &= np.all(spread[:, 3:] < REST_ROTATION_RADS, axis=1)
        still &= np.all(np.abs(mean[:, 3:]) < REST_TURNING_RADS, axis=1)
        magnitudes = np.linalg.norm(mean[still, :3], axis=1)
        return float(np.median(magnitudes)) if len(magnitudes) else None


def _rate(m: Measured) -> Rule:
    limit = m.limits.rate_ppm
    if m.rate is None:
        text = "true rate: too few frames to fit it against the box clock; record for at least a few seconds"
        return Rule("rate", None, limit, False, text)
    ppm, low, high = (m.ppm(rate) for rate in (m.rate.rate_hz, m.rate.low_hz, m.rate.high_hz))
    ok = abs(ppm) <= limit
    text = f"true rate {m.rate.rate_hz:.4f} Hz, {ppm:+.1f} ppm from nominal (limit ±{limit:g})"
    text += f", 95 % interval {low:+.1f} to {high:+.1f} ppm"
    return Rule("rate", ppm, limit, ok, text if ok else f"{text}: not the {m.capture.odr_hz:g} Hz that were set")


def _rate_interval(m: Measured) -> Rule:
    limit = m.limits.rate_interval_ppm
    if m.rate is None:
        return Rule("rate_interval", None, limit, None, "interval of the rate: not judged, no fit")
    half = (m.ppm(m.rate.high_hz) - m.ppm(m.rate.low_hz)) / 2
    return Rule("rate_interval", half, limit, half <= limit, f"rate known to ±{half:.1f} ppm (limit ±{limit:g})")


def _rate_drift(m: Measured) -> Rule:
    limit = m.limits.rate_drift_ppm
    if m.drift is None:
        return Rule("rate_drift", None, limit, None, "drift of the rate: not judged, too few frames")
    text = f"rate drifts by {m.drift.ppm:+.1f} ± {m.drift.half_ppm:.1f} ppm from the first third to the last"
    text += "" if m.drift.temperature_c is None else f", the chip by {m.drift.temperature_c:+.1f} °C"
    ok = abs(m.drift.ppm) - m.drift.half_ppm <= limit
    return Rule("rate_drift", m.drift.ppm, limit, ok, f"{text} (limit {limit:g})")


def _jitter(m: Measured) -> Rule:
    limit = m.limits.jitter_periods * 1e6 / m.capture.odr_hz
    if m.rate is None:
        return Rule("jitter", None, limit, None, "jitter: not judged, no fit")
    periods = f"{m.limits.jitter_periods:g} sample period{'' if m.limits.jitter_periods == 1 else 's'}"
    text = f"jitter of the readings {m.rate.jitter_us:.1f} µs (limit {periods}, {limit:.0f} µs)"
    return Rule("jitter", m.rate.jitter_us, limit, m.rate.jitter_us <= limit, text)


def _missing(m: Measured) -> Rule:
    share = m.missing / (m.missing + m.capture.n_samples)
    unknown = sum(not gap["exact"] for gap in m.gaps)
    where = ", ".join(_place(gap) for gap in m.gaps[:3]) + (", …" if len(m.gaps) > 3 else "")
    text = f"{'at least ' if unknown else ''}{_some(m.missing, 'sample')} missing in {_some(len(m.gaps), 'gap')}"
    text += f" (a share of {share:.2g}, limit {m.limits.missing_share:g})" + (f": {where}" if m.gaps else "")
    text += f"; {_some(unknown, 'gap')} of unknown length" if unknown else ""
    return Rule("missing", share, m.limits.missing_share, share <= m.limits.missing_share and not unknown, text)


def _place(gap: dict[str, Any]) -> str:
    at = f"at {gap['at_s']:.3f} s" if gap["at_s"] is not None else f"before row {gap['row']}"
    number = "?" if gap["missing"] is None else f"{'' if gap['exact'] else '≥ '}{gap['missing']}"
    reason = gap["reason"].removesuffix("_at_least").replace("_", " ")
    if gap["exact"] or gap["seconds"] is None:
        return f"{number} {at} ({reason})"
    return f"{number} {at} ({reason}, {gap['seconds']:.3f} ± {gap['seconds_uncertainty']:.3f} s)"


def _some(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _bad_frames(m: Measured) -> Rule:
    limit = max(1.0, m.limits.bad_frame_share * m.capture.file["frames"].shape[0])
    skipped = int(m.capture.file.attrs["skipped_bytes"])
    text = f"{_some(m.bad_frames, 'bad frame')}, {_some(skipped, 'raw byte')} skipped (limit {limit:.0f} frames)"
    return Rule("bad_frames", m.bad_frames, limit, m.bad_frames <= limit, text)


def _overflows(m: Measured) -> Rule:
    text = f"{_some(m.overflows, 'FIFO overflow')} (limit {m.limits.fifo_overflows:g})"
    if m.overflows:
        text += ": the box did not keep up with its chip; record again, at a lower rate if it stays"
    limit = m.limits.fifo_overflows
    return Rule("fifo_overflows", m.overflows, limit, m.overflows <= limit, text)


def _faults(m: Measured) -> Rule:
    faults = m.capture.faults
    names = [fault.decode("utf-8", "replace") for fault in faults["fault"] if fault not in HARMLESS_FAULTS]
    text = f"the box reported {', '.join(sorted(set(names)))}" if names else "no faults reported by the box"
    return Rule("faults", names, [], not names, text)


def _clipping(m: Measured) -> Rule:
    text = f"{_some(m.sweep.clipped_samples, 'clipped sample')} (limit {m.limits.clipped_samples:g})"
    if m.sweep.clipped_samples:
        axes = ", ".join(f"{axis} {n}" for axis, n in zip(m.capture.axes, m.sweep.clipped, strict=True) if n)
        text += f" on {axes}: the true peaks are not known; mount the box where it is hit less, or set a larger range"
    limit = m.limits.clipped_samples
    return Rule("clipping", m.sweep.clipped_samples, limit, m.sweep.clipped_samples <= limit, text)


def _invalid(m: Measured) -> Rule:
    text = f"{_some(m.sweep.invalid_samples, 'sample')} without a valid reading (limit {m.limits.invalid_samples:g})"
    limit = m.limits.invalid_samples
    return Rule("invalid", m.sweep.invalid_samples, limit, m.sweep.invalid_samples <= limit, text)


def _stuck(m: Measured) -> Rule:
    still = m.sweep.lowest == m.sweep.highest
    stuck = [axis for axis, seconds in zip(m.capture.axes, still.T, strict=True) if seconds.any()]
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
    dead = [axis for axis, part in zip(m.capture.axes, share, strict=True) if part < m.limits.noise_share]
    quietest = f"the quietest shows {share.min():.2g} × the chip's noise floor, limit {m.limits.noise_share:g}"
    text = f"every axis alive ({quietest})"
    if dead:
        text = f"dead, far below the chip's own noise: {', '.join(dead)} ({quietest}); check the sensor"
    return Rule("dead_axis", float(share.min()), m.limits.noise_share, not dead, text)


def noise_floor_counts(capture: Capture) -> np.ndarray:
    """R.m.s. noise of each axis in counts that the data sheet's densities give over the filter's bandwidth."""
    anti_alias = float(capture.file.attrs["anti_alias_hz"])
    bandwidth_hz = min(anti_alias, capture.odr_hz / 2) if anti_alias > 0 else capture.odr_hz / 4
    floors = [
        quantity.noise_per_rthz * quantity.unit_si / capture.scales[name]
        for name, quantity in capture.layout.quantities.items()
    ]
    return np.repeat(floors, 3) * math.sqrt(bandwidth_hz)


def _gravity(m: Measured) -> Rule:
    limit = m.limits.gravity_tolerance_ms2
    if m.gravity_ms2 is None:
        return Rule("gravity", None, limit, None, "gravity: not judged, no second at rest was found")
    ok = abs(m.gravity_ms2 - GRAVITY_MS2) <= limit
    return Rule(
        "gravity",
        m.gravity_ms2,
        limit,
        ok,
        f"gravity at rest {m.gravity_ms2:.3f} m/s² (limit {GRAVITY_MS2} ± {limit:g})",
    )


def _temperature(m: Measured) -> Rule:
    limit, coldest, hottest = m.limits.temperature_span_c, m.limits.coldest_c, m.limits.hottest_c
    if m.temperature_c is None:
        return Rule("temperature", None, limit, None, "temperature: not judged, the box told none")
    low, high = m.temperature_c
    ok = high - low <= limit and low >= coldest and high <= hottest
    text = f"chip at {low:.1f} to {high:.1f} °C (limit: a span of {limit:g} °C within {coldest:g} to {hottest:g} °C)"
    return Rule("temperature", high - low, limit, ok, text)


def _ending(m: Measured) -> Rule:
    ended = bool(m.capture.text("bye"))
    if ended:
        return Rule("ending", ended, True, True, "the recording was ended by the box's bye")
    if m.capture.host.get("ended") == COMPLETE:
        text = (
            "no bye from the box, though the sidecar says that the recording ended complete: the raw recording was cut "
            "afterwards; copy it again from where it was recorded and decode it, or drive the pass again"
        )
        return Rule("ending", ended, True, False, text)
    return Rule("ending", ended, True, None, "no bye from the box: the recording was cut, and may go on")


RULES: tuple[Callable[[Measured], Rule], ...] = (
    _rate,
    _rate_interval,
    _rate_drift,
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
