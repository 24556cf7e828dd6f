"""The rules for a sound capture: one function and one table entry each; the limits are in limits.py."""

import math
import shlex
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from towertap.capture import schema
from towertap.capture.conditions import Ending
from towertap.capture.ending import ending_of
from towertap.capture.frame_table import n_frames
from towertap.capture.limits import Limits
from towertap.capture.mounting import fitting_mounting, leaning_deg, parse_mounting
from towertap.capture.rate import Drift, Rate
from towertap.capture.reading import Capture
from towertap.capture.sweep import Sweep
from towertap.doors.times import FIRST_RECORDING, impossible, instant
from towertap.errors import AnalysisError
from towertap.wire.messages import Status
from towertap.words.phrases import counted

GRAVITY_MS2 = 9.81
"""Between 9.78 and 9.83 on Earth (International Gravity Formula 1980)."""
GRAVITY_MOVING_MS2 = 4.9
"""Half of gravity: no road shifts a drive's mean this far, but a wrong unit or scale does."""
FORWARD_UNSEEN = "gravity does not show which axis is forward"
HARMLESS_FAULTS = (b"bad_command", b"fifo_overflow")
"""A refused command affects no sample; overflows have their own rule."""


@dataclass(frozen=True)
class Judgement:
    """Result of a rule; `ok` is None if the capture lacks what the rule needs."""

    name: str
    value: Any
    limit: Any
    ok: bool | None
    text: str


Answer = tuple[Any, Any, bool | None, str]
"""Value, limit, ok and text of a judgement; its name is the key in RULES."""


@dataclass(frozen=True)
class Measured:
    """The measurements that the rules judge."""

    capture: Capture
    limits: Limits
    rate: Rate | None
    drift: Drift | None
    sweep: Sweep
    gaps: list[dict[str, Any]]
    overflows: int
    temperature_c: tuple[float, float] | None
    statuses: list[Status]
    """The box's status messages."""

    def ppm(self, rate_hz: float) -> float:
        """A rate's deviation from the nominal one."""
        return (rate_hz / self.capture.odr_hz - 1) * 1e6

    @property
    def missing(self) -> int:
        """Missing samples that can be counted."""
        return sum(gap["missing"] or 0 for gap in self.gaps)

    @property
    def lost_messages(self) -> int:
        """Missing frames without samples; a lower bound."""
        return int(self.capture.table("lost_messages")["messages"].sum())

    @property
    def bad_frames(self) -> int:
        """Damaged frames in the raw recording."""
        return int(self.capture.file.attrs["bad_frames"])

    @cached_property
    def gravity_at_rest(self) -> np.ndarray | None:
        """Specific force at rest (3,), m/s², chip axes; None if no second is at rest."""
        return self.sweep.gravity_at_rest()

    @property
    def gravity_ms2(self) -> float | None:
        """Magnitude of `gravity_at_rest`."""
        return None if self.gravity_at_rest is None else float(np.linalg.norm(self.gravity_at_rest))

    @property
    def gravity(self) -> np.ndarray:
        """Specific force (3,), m/s², chip axes: at rest, or else its mean over the drive."""
        return self.sweep.mean_force() if self.gravity_at_rest is None else self.gravity_at_rest

    @property
    def gravity_from(self) -> str:
        """How `gravity` was found, in words."""
        return "mean over the drive, since no second was at rest" if self.gravity_at_rest is None else "at rest"

    @cached_property
    def rotation(self) -> np.ndarray | None:
        """The declared mounting (3, 3), vehicle = R @ chip; None if there is none, or `z=gravity` and never at rest."""
        with suppress(AnalysisError):
            return parse_mounting(self.capture.conditions.mounting, self._up)
        return None

    @property
    def gravity_in_vehicle_ms2(self) -> tuple[float, float, float] | None:
        """`gravity` in vehicle axes; None without a mounting."""
        if self.rotation is None:
            return None
        x, y, z = map(float, self.rotation @ self.gravity)
        return x, y, z

    def _up(self) -> np.ndarray:
        if self.gravity_at_rest is None:
            raise AnalysisError("the box was not at rest, so gravity does not show its axes")
        return self.gravity_at_rest


def _rate(m: Measured) -> Answer:
    limit = m.limits.rate_ppm
    if m.rate is None:
        why = "too few frames for a fit against the box's clock, or the clock does not advance"
        return None, limit, False, f"true rate: {why}; record again, and longer"
    ppm, low, high = (m.ppm(rate) for rate in (m.rate.rate_hz, m.rate.low_hz, m.rate.high_hz))
    text = f"true rate {m.rate.rate_hz:.4f} Hz, {ppm:+.1f} ppm from nominal (limit ±{limit:g})"
    text += f", 95 % interval {low:+.1f} to {high:+.1f} ppm"
    ok = abs(ppm) <= limit
    return ppm, limit, ok, text if ok else f"{text}: not the {m.capture.odr_hz:g} Hz that were set"


def _rate_interval(m: Measured) -> Answer:
    limit = m.limits.rate_interval_ppm
    if m.rate is None:
        return None, limit, None, "rate interval: not judged, no fit"
    half = (m.ppm(m.rate.high_hz) - m.ppm(m.rate.low_hz)) / 2
    return half, limit, half <= limit, f"rate known to ±{half:.1f} ppm (limit ±{limit:g})"


def _rate_drift(m: Measured) -> Answer:
    limit = m.limits.rate_drift_ppm
    if m.drift is None:
        return None, limit, None, "rate drift: not judged, too few frames"
    text = f"rate drifts by {m.drift.ppm:+.1f} ± {m.drift.half_ppm:.1f} ppm from the first third to the last"
    text += "" if m.drift.temperature_c is None else f", the chip by {m.drift.temperature_c:+.1f} °C"
    return m.drift.ppm, limit, abs(m.drift.ppm) - m.drift.half_ppm <= limit, f"{text} (limit {limit:g})"


def _jitter(m: Measured) -> Answer:
    limit_us = m.limits.jitter_periods * 1e6 / m.capture.odr_hz
    if m.rate is None:
        return None, limit_us, None, "jitter: not judged, no fit"
    periods = f"{m.limits.jitter_periods:g} sample period{'' if m.limits.jitter_periods == 1 else 's'}"
    text = f"jitter of the clock readings {m.rate.jitter_us:.1f} µs (limit {periods}, {limit_us:.0f} µs)"
    return m.rate.jitter_us, limit_us, m.rate.jitter_us <= limit_us, text


def _missing(m: Measured) -> Answer:
    share, limit = m.missing / (m.missing + m.capture.n_samples), m.limits.missing_share
    unknown = sum(not gap["exact"] for gap in m.gaps)
    where = ", ".join(_place(gap) for gap in m.gaps[:3]) + (", …" if len(m.gaps) > 3 else "")
    number = "samples" if unknown and not m.missing else counted(m.missing, "sample")
    text = f"{'at least ' if unknown and m.missing else ''}{number} missing in {counted(len(m.gaps), 'gap')}"
    text += f" (a share of {share:.2g}, limit {limit:g})" if m.missing or not m.gaps else ""
    text += f": {where}" if m.gaps else ""
    text += f"; {counted(unknown, 'gap')} of unknown size" if unknown else ""
    return share, limit, share <= limit and not unknown, text


def _place(gap: dict[str, Any]) -> str:
    where = f"at {gap['at_s']:.3f} s" if gap["at_s"] is not None else f"before row {gap['row']}"
    number = "" if gap["missing"] is None else f"{'' if gap['exact'] else '≥ '}{gap['missing']} "
    reason = gap["reason"].removesuffix("_at_least").replace("_", " ")
    if gap["exact"] or gap["seconds"] is None:
        return f"{number}{where} ({reason})"
    return f"{number}{where} ({reason}, {gap['seconds']:.3f} ± {gap['seconds_uncertainty']:.3f} s)"


def _bad_frames(m: Measured) -> Answer:
    limit = max(1.0, m.limits.bad_frame_share * n_frames(m.capture.file))
    skipped = int(m.capture.file.attrs["skipped_bytes"])
    text = f"{counted(m.bad_frames, 'bad frame')}, {counted(skipped, 'raw byte')} skipped"
    text += f" (limit {counted(round(limit), 'frame')})"
    return m.bad_frames, limit, m.bad_frames <= limit, text


def _fifo_overflows(m: Measured) -> Answer:
    advice = ": the box did not keep up with its chip; record again, at a lower rate if it recurs"
    return _counted(m.overflows, m.limits.fifo_overflows, counted(m.overflows, "FIFO overflow"), advice)


def _counted(number: int, limit: float, what: str, advice: str = "") -> Answer:
    return number, limit, number <= limit, f"{what} (limit {limit:g})" + (advice if number else "")


def _faults(m: Measured) -> Answer:
    faults = [fault.decode("utf-8", "replace") for fault in m.capture.faults["fault"] if fault not in HARMLESS_FAULTS]
    names = ", ".join(sorted(set(faults)))
    if not faults and m.lost_messages:
        return faults, [], None, "faults: not known, messages from the box are missing"
    return faults, [], not faults, f"the box reported {names}" if faults else "no faults reported by the box"


def _clipping(m: Measured) -> Answer:
    axes = ", ".join(f"{axis} {n}" for axis, n in zip(m.capture.axes, m.sweep.clipped, strict=True) if n)
    advice = f" on {axes}: the true peaks are not known; mount the box where shocks are weaker, or set a larger range"
    number = m.sweep.clipped_samples
    return _counted(number, m.limits.clipped_samples, counted(number, "clipped sample"), advice)


def _invalid(m: Measured) -> Answer:
    number = m.sweep.invalid_samples
    return _counted(number, m.limits.invalid_samples, f"{counted(number, 'sample')} without a valid reading")


def _stuck_axis(m: Measured) -> Answer:
    is_constant = m.sweep.lowest == m.sweep.highest
    stuck = [axis for axis, seconds in zip(m.capture.axes, is_constant.T, strict=True) if seconds.any()]
    if not stuck:
        return stuck, [], True, "no axis stuck"
    first_s = int(is_constant.any(axis=1).argmax()) * m.sweep.window_rows / m.capture.odr_hz
    where = f"{', '.join(stuck)}, first at {first_s:.0f} s"
    return stuck, [], False, f"stuck for a second or more: {where}; check the sensor and its wiring"


def _dead_axis(m: Measured) -> Answer:
    limit = m.limits.noise_share
    shares = np.median(m.sweep.spread, axis=0) / noise_floor_counts(m.capture)
    dead = [axis for axis, share in zip(m.capture.axes, shares, strict=True) if share < limit]
    quietest = f"the quietest shows {shares.min():.2g} × the chip's noise floor, limit {limit:g}"
    text = f"dead, far below the chip's own noise: {', '.join(dead)} ({quietest}); check the sensor"
    return float(shares.min()), limit, not dead, text if dead else f"every axis alive ({quietest})"


def noise_floor_counts(capture: Capture) -> np.ndarray:
    """R.m.s. noise of each axis in counts, from the data sheet's densities over the filter's bandwidth."""
    anti_alias = float(capture.file.attrs["anti_alias_hz"])
    bandwidth_hz = min(anti_alias, capture.odr_hz / 2) if anti_alias > 0 else capture.odr_hz / 4
    floors = [
        quantity.noise_per_rthz * quantity.unit_si / capture.scales[name]
        for name, quantity in capture.layout.quantities.items()
    ]
    return np.repeat(floors, 3) * math.sqrt(bandwidth_hz)


def _gravity(m: Measured) -> Answer:
    limit = GRAVITY_MOVING_MS2 if m.gravity_at_rest is None else m.limits.gravity_tolerance_ms2
    gravity = float(np.linalg.norm(m.gravity))
    if m.capture.is_imported and gravity < GRAVITY_MS2 / 2:  # many sensors and programs remove it
        return gravity, limit, None, "gravity: not judged, the file has it removed"
    text = f"gravity {gravity:.3f} m/s² ({m.gravity_from}; limit {GRAVITY_MS2} ± {limit:g})"
    return gravity, limit, abs(gravity - GRAVITY_MS2) <= limit, text


def _mounting(m: Measured) -> Answer:
    limit, rotation = m.limits.mounting_deg, m.rotation
    if rotation is None:
        return None, limit, None, "mounting: not judged, the conditions give none that gravity can check"
    leaning = leaning_deg(rotation, m.gravity)
    text = f"gravity is {leaning:.0f}° from the declared up ({m.gravity_from}; limit {limit:g}°)"
    if leaning <= limit:
        return leaning, limit, True, text
    fitting = fitting_mounting(rotation, m.gravity)
    command = shlex.join(["towertap", "correct", str(m.capture.path), "--mounting", fitting])
    declared = m.capture.conditions.mounting
    return leaning, limit, False, f"{text}: '{declared}' does not fit, {fitting} would ({FORWARD_UNSEEN}): '{command}'"


def _temperature(m: Measured) -> Answer:
    limit, coldest, hottest = m.limits.temperature_span_c, m.limits.coldest_c, m.limits.hottest_c
    if m.temperature_c is None:
        return None, limit, None, "temperature: not judged, the box reported none"
    low, high = m.temperature_c
    text = f"chip at {low:.1f} to {high:.1f} °C (limit: a span of {limit:g} °C within {coldest:g} to {hottest:g} °C)"
    return high - low, limit, high - low <= limit and low >= coldest and high <= hottest, text


def _messages(m: Measured) -> Answer:
    limit = m.limits.lost_messages
    if schema.version_of(m.capture.file) < (2, 0):
        return None, limit, None, "messages: not judged, a capture of schema 1 does not record them; decode it again"
    lost, number = m.capture.table("lost_messages"), m.lost_messages
    where = ", ".join(f"{row / m.capture.rate_hz:.1f}" for row in lost["row"][:3].tolist()) + (", …" * (len(lost) > 3))
    advice = f" after {where} s of samples: marks, faults, statuses or hellos; which ones is not known"
    return _counted(number, limit, f"{counted(number, 'message')} from the box missing", advice)


def _box_load(m: Measured) -> Answer:
    """Shown but not judged: if the load is too high, the firmware reports overflows."""
    stalls_us = [status.longest_stall_us for status in m.statuses if status.longest_stall_us is not None]
    busy = [status.busy_percent for status in m.statuses if status.busy_percent is not None]
    if not stalls_us:
        return None, None, None, "load of the box: not known, no status reported it"
    text = f"longest stall of the box {max(stalls_us) / 1000:.1f} ms"
    return max(stalls_us), None, None, text + (f", busy {max(busy):.0f} % at most" if busy else "")


def _ending(m: Measured) -> Answer:
    ending, why = ending_of(m.capture.host, m.capture.text("bye"))
    if ending is not Ending.BROKEN_OFF:
        how = "completed" if ending is Ending.COMPLETE else "stopped on purpose"
        return ending.value, "not broken off", True, f"the recording was {how}: {why}"
    length_s = m.capture.n_samples / m.capture.rate_hz
    advice = "drive the pass again, or use it as it is: 'towertap compare --include-unsound'"
    return ending.value, "not broken off", False, f"broken off after {length_s:.1f} s: {why}; {advice}"


def _date(m: Measured) -> Answer:
    """A caution: a wrong date spoils no sample."""
    limit, moment = f"{FIRST_RECORDING:%Y-%m-%d} to now", instant(m.capture.text("started_utc"))
    if moment is None:
        return None, limit, None, "date: not known"
    if reason := impossible(moment):
        advice = "set the computer's clock; correct started_utc in the .conditions.json and decode again"
        return f"{moment:%Y-%m-%d}", limit, None, f"caution: {reason}, so comparisons take it as undated; {advice}"
    return f"{moment:%Y-%m-%d}", limit, True, f"recorded on {moment:%Y-%m-%d} (UTC)"


RULES: dict[str, Callable[[Measured], Answer]] = {
    "rate": _rate,
    "rate_interval": _rate_interval,
    "rate_drift": _rate_drift,
    "jitter": _jitter,
    "missing": _missing,
    "bad_frames": _bad_frames,
    "fifo_overflows": _fifo_overflows,
    "messages": _messages,
    "faults": _faults,
    "clipping": _clipping,
    "invalid": _invalid,
    "stuck_axis": _stuck_axis,
    "dead_axis": _dead_axis,
    "gravity": _gravity,
    "mounting": _mounting,
    "temperature": _temperature,
    "box_load": _box_load,
    "ending": _ending,
    "date": _date,
}
"""Name → rule, in the order shown."""
