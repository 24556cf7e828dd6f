"""The clocks of a box: the chip's oscillator against the box's crystal, and that against the host's clock."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from towertap.capture.continuity import LINK, OVERFLOW
from towertap.capture.rate import Rate, fit_rate, frame_blocks
from towertap.capture.reading import Capture
from towertap.errors import AnalysisError

Array = NDArray[np.float64]

SHORTEST_S = 10.0
"""Of a part of the recording with a rate of its own: some 5 ppm of scatter at a thousand samples a second."""

MOST_PARTS = 120
FEWEST_PARTS = 6
LEAST_WARMING_C = 1.0
"""Without so much change of temperature there is nothing to tell of it."""

CONFIDENCE = 0.95
WILD_PPM = 500.0
"""No crystal is so far off: the host slept, its clock was set, or the box does not live in the host's time."""


@dataclass(frozen=True)
class Slope:
    """A straight line's slope with its 95 % interval."""

    value: float
    interval: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Part:
    """One part of the recording: its middle, s from the start; rate in ppm from nominal, its interval; chip in °C."""

    at_s: float
    rate_ppm: float
    interval_ppm: tuple[float, float]
    temperature_c: float | None


@dataclass(frozen=True)
class HostClock:
    """The box's clock against the host's: how much faster, bounds that no reading contradicts, and over how long.

    `bend_s` is how far the readings depart from one straight line, nought when they need not.
    """

    fast_ppm: float
    bounds_ppm: tuple[float, float]
    seconds: float
    readings: int
    bend_s: float

    @property
    def wild(self) -> bool:
        """Whether this cannot be two clocks that ran undisturbed."""
        return abs(self.fast_ppm) > WILD_PPM


@dataclass(frozen=True, eq=False)
class Clocks:
    """What a recording tells of the clocks."""

    odr_hz: float
    rate: Rate
    seconds: float
    parts: list[Part]
    drift_ppm_per_h: Slope | None
    temperature_ppm_per_c: Slope | None
    temperature_c: tuple[float, float] | None
    host: HostClock | None

    @property
    def rate_ppm(self) -> tuple[float, float, float]:
        """Deviation from the nominal rate and its 95 % interval."""
        value, low, high = (
            (hz / self.odr_hz - 1) * 1e6 for hz in (self.rate.rate_hz, self.rate.low_hz, self.rate.high_hz)
        )
        return value, low, high

    def data(self) -> dict[str, Any]:
        """For JSON: the result of a clock record."""
        value, low, high = self.rate_ppm
        return {
            "seconds": self.seconds,
            "rate_hz": self.rate.rate_hz,
            "rate_interval_hz": (self.rate.low_hz, self.rate.high_hz),
            "rate_ppm": value,
            "rate_interval_ppm": (low, high),
            "jitter_us": self.rate.jitter_us,
            "drift_ppm_per_h": self.drift_ppm_per_h and asdict(self.drift_ppm_per_h),
            "temperature_ppm_per_c": self.temperature_ppm_per_c and asdict(self.temperature_ppm_per_c),
            "temperature_c": self.temperature_c,
            "host": self.host and asdict(self.host),
            "parts": [asdict(part) for part in self.parts],
        }


def measure(capture: Capture) -> Clocks:
    """Everything a capture tells of its clocks; AnalysisError when its frames carry no rate."""
    frames = np.concatenate([block[block["count"] > 0] for block in frame_blocks(capture.file)])
    newest = frames["first_sample"] + frames["fifo_level"] - 1
    inexact = capture.gaps["row"][~np.isin(capture.gaps["reason"], [LINK, OVERFLOW])]
    stretch = np.searchsorted(inexact, frames["row"], side="right")
    whole = fit_rate(newest, frames["clock_us"], stretch)
    if whole is None:
        raise AnalysisError(f"{capture.path}: too short to carry a rate; record a minute or more")
    temperature_c = capture.layout.temperature_c(frames["temperature_raw"])
    parts = rate_parts(newest, frames["clock_us"], stretch, temperature_c, capture.odr_hz)
    known = temperature_c[np.isfinite(temperature_c)]
    at_h = np.array([part.at_s for part in parts]) / 3600
    ppm = np.array([part.rate_ppm for part in parts])
    warmth = np.array([np.nan if part.temperature_c is None else part.temperature_c for part in parts])
    return Clocks(
        capture.odr_hz,
        whole,
        capture.n_samples / whole.rate_hz,
        parts,
        slope(at_h, ppm),
        slope(warmth, ppm) if len(parts) and np.ptp(warmth) >= LEAST_WARMING_C else None,
        (float(known.min()), float(known.max())) if len(known) else None,
        host_clock(_readings(capture)),
    )


def rate_parts(
    newest: NDArray[np.int64],
    clock_us: NDArray[np.int64],
    stretch: NDArray[np.int64],
    temperature_c: Array,
    odr_hz: float,
) -> list[Part]:
    """The rate over the recording, part by part; arrays (n,) by frame as `capture.rate.fit_rate` takes them.

    A part never lies across a restart, whose counter begins anew.
    """
    parts: list[Part] = []
    span_s = sum(float(np.ptp(clock_us[stretch == one])) for one in np.unique(stretch)) / 1e6
    length_s = max(SHORTEST_S, span_s / MOST_PARTS)
    for one in np.unique(stretch):
        rows = np.flatnonzero(stretch == one)
        number = ((clock_us[rows] - clock_us[rows[0]]) / 1e6 // length_s).astype(int)
        for k in range(int(number[-1]) + 1):
            inside = rows[number == k]
            rate = fit_rate(newest[inside], clock_us[inside], stretch[inside])
            if rate is None or clock_us[inside[-1]] - clock_us[inside[0]] < 0.8e6 * length_s:
                continue
            value, low, high = ((hz / odr_hz - 1) * 1e6 for hz in (rate.rate_hz, rate.low_hz, rate.high_hz))
            warm = temperature_c[inside][np.isfinite(temperature_c[inside])]
            middle_s = float(clock_us[inside].mean() - clock_us[0]) / 1e6
            parts.append(Part(middle_s, value, (low, high), float(warm.mean()) if warm.size else None))
    return parts


def slope(x: Array, y: Array) -> Slope | None:
    """Least-squares slope of y over x, (n,), with its 95 % interval; None below FEWEST_PARTS or when x is all alike."""
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() < FEWEST_PARTS or np.ptp(x[known]) == 0:
        return None
    fit = stats.linregress(x[known], y[known])
    half = stats.t.ppf(0.5 + CONFIDENCE / 2, known.sum() - 2) * fit.stderr
    return Slope(float(fit.slope), (float(fit.slope - half), float(fit.slope + half)))


def host_clock(readings: Sequence[tuple[float, float | None, float]]) -> HostClock | None:
    """The box's clock against the host's, from readings (box s, host s before or None, host s after).

    Each reading says only that the box read its clock after `before` and before `after`. So the line from box to host
    time is bounded, and the steepest and the flattest line that pass through all the gates bound the rate: two linear
    programmes, no assumption about delays. When no line passes, all gates are widened by the same, least amount.
    None when fewer than two readings have both ends.
    """
    both = [(box, before, after) for box, before, after in readings if before is not None]
    if len(both) < 2 or both[-1][0] <= both[0][0]:
        return None
    box0, host0 = both[0][0], both[0][2]
    span = max(box for box, *_ in readings) - box0
    # host − box = offset + slope·(box/span): unknowns offset, slope, widening; in units of 1 ms
    rows, limits = [], []
    for box, before, after in readings:
        place, late = (box - box0) / span, (after - host0) - (box - box0)
        rows.append([1.0, place, -1.0])
        limits.append(late * 1e3)
        if before is not None:
            rows.append([-1.0, -place, -1.0])
            limits.append(((box - box0) - (before - host0)) * 1e3)
    free, positive = (None, None), (0.0, None)
    least = optimize.linprog([0, 0, 1], rows, limits, bounds=[free, free, positive])
    if not least.success:
        return None
    widened = least.x[2] * (1 + 1e-6) + 1e-6
    ends = [optimize.linprog([0, sign, 0], rows, limits, bounds=[free, free, (0.0, widened)]).x[1] for sign in (1, -1)]
    # A box that is fast makes host − box fall.
    high, low = (-end * 1e-3 / span * 1e6 for end in ends)
    bend_s = float(least.x[2]) * 1e-3
    return HostClock((low + high) / 2, (low, high), span, len(readings), bend_s if bend_s > 1e-9 else 0.0)


def _readings(capture: Capture) -> list[tuple[float, float | None, float]]:
    """The host's readings of the box's clock within the boot that has most of them."""
    try:
        held = json.loads(capture.text("host") or "{}").get("clock") or []
        boots = [str(one["boot_id"]) for one in held]
        boot = max(set(boots), key=boots.count) if boots else ""
        readings = [
            (
                one["clock_us"] / 1e6,
                None
                if one["sent_unix_s"] is None
                else one["received_monotonic_s"] - (one["received_unix_s"] - one["sent_unix_s"]),
                float(one["received_monotonic_s"]),
            )
            for one in held
            if str(one["boot_id"]) == boot
        ]
        if not np.isfinite([number for reading in readings for number in reading if number is not None]).all():
            raise ValueError
        return readings
    except (ValueError, TypeError, KeyError, AttributeError):
        raise AnalysisError(f"{capture.path}: its readings of the host's clock are damaged; decode it again") from None
