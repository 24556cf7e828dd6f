"""The clocks of a box: the chip's oscillator against the box's crystal, and that against the host's clock."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.bench.records import temperature_range_c
from towertap.capture import host_time
from towertap.capture.rate import Rate, Readings, rate_of, readings_of
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


@dataclass(frozen=True)
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
        return _ppm(self.rate, self.odr_hz)

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
    readings = readings_of(capture.file)
    rate = rate_of(readings)
    if rate is None:
        raise AnalysisError(f"{capture.path}: too short to carry a rate; record a minute or more")
    temperature_c = capture.layout.temperature_c(readings.temperature)
    parts = rate_parts(readings, temperature_c, capture.odr_hz)
    at_h = np.array([part.at_s for part in parts]) / 3600
    ppm = np.array([part.rate_ppm for part in parts])
    warmth = np.array([np.nan if part.temperature_c is None else part.temperature_c for part in parts])
    return Clocks(
        capture.odr_hz,
        rate,
        capture.n_samples / rate.rate_hz,
        parts,
        slope(at_h, ppm),
        slope(warmth, ppm) if len(parts) and np.ptp(warmth) >= LEAST_WARMING_C else None,
        temperature_range_c(capture),
        host_clock(_host_readings(capture)),
    )


def rate_parts(readings: Readings, temperature_c: Array, odr_hz: float) -> list[Part]:
    """The rate over the recording, part by part; `temperature_c` (n,) is the chip's at each reading.

    A part never lies across a restart, whose counter begins anew.
    """
    clock_us, parts = readings.clock_us, []
    stretches = [np.flatnonzero(readings.stretch == stretch) for stretch in np.unique(readings.stretch)]
    span_s = sum(float(np.ptp(clock_us[rows])) for rows in stretches) / 1e6
    length_s = max(SHORTEST_S, span_s / MOST_PARTS)
    for rows in stretches:
        number = ((clock_us[rows] - clock_us[rows[0]]) / 1e6 // length_s).astype(int)
        for k in range(int(number[-1]) + 1):
            inside = rows[number == k]
            rate = rate_of(readings.part(inside))
            if rate is None or np.ptp(clock_us[inside]) < 0.8e6 * length_s:
                continue
            value, low, high = _ppm(rate, odr_hz)
            warm = temperature_c[inside][np.isfinite(temperature_c[inside])]
            middle_s = float(clock_us[inside].mean() - clock_us[0]) / 1e6
            parts.append(Part(middle_s, value, (low, high), float(warm.mean()) if warm.size else None))
    return parts


def _ppm(rate: Rate, odr_hz: float) -> tuple[float, float, float]:
    """A rate and the ends of its interval, in ppm from nominal."""
    value, low, high = ((hz / odr_hz - 1) * 1e6 for hz in (rate.rate_hz, rate.low_hz, rate.high_hz))
    return value, low, high


def slope(x: Array, y: Array) -> Slope | None:
    """Least-squares slope of y over x, (n,), with its 95 % interval; None below FEWEST_PARTS or when x is all alike."""
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() < FEWEST_PARTS or np.ptp(x[known]) == 0:
        return None
    fit = scipy.stats.linregress(x[known], y[known])
    half = scipy.stats.t.ppf(0.5 + CONFIDENCE / 2, known.sum() - 2) * fit.stderr
    return Slope(float(fit.slope), (float(fit.slope - half), float(fit.slope + half)))


def host_clock(readings: ArrayLike) -> HostClock | None:
    """The box's clock against the host's, from readings (n, 3): box, host before (NaN: not known), host after, in s.

    Each reading says only that the box read its clock after `before` and before `after`. So the line from box to host
    time is bounded, and the steepest and the flattest line that pass through all the gates bound the rate: two linear
    programmes, no assumption about delays. When no line passes, all gates are widened by the same, least amount.
    None when fewer than two readings have both ends.
    """
    box_s, before_s, after_s = np.asarray(readings, float).reshape(-1, 3).T
    both = np.isfinite(before_s)
    if both.sum() < 2 or np.ptp(box_s[both]) == 0:
        return None
    box_s = box_s - box_s[both][0]
    span_s = float(box_s.max())
    # host − box = offset + slope·(box/span), in units of 1 ms, and how far the gates are widened
    lines = np.column_stack([np.ones_like(box_s), box_s / span_s])
    latest_ms, earliest_ms = ((host_s - after_s[both][0] - box_s) * 1e3 for host_s in (after_s, before_s))
    within = np.vstack([lines, -lines[both]])
    within, limits = np.insert(within, 2, -1.0, axis=1), np.append(latest_ms, -earliest_ms[both])
    free = (None, None)
    least = scipy.optimize.linprog([0, 0, 1], within, limits, bounds=[free, free, (0.0, None)])
    if not least.success:
        return None
    wide = [free, free, (0.0, least.fun * (1 + 1e-6) + 1e-6)]
    # A box that is fast makes host − box fall.
    high, low = (
        float(-scipy.optimize.linprog([0, sign, 0], within, limits, bounds=wide).x[1]) * 1e-3 / span_s * 1e6
        for sign in (1, -1)
    )
    bend_s = float(least.fun) * 1e-3
    return HostClock((low + high) / 2, (low, high), span_s, len(box_s), bend_s if bend_s > 1e-9 else 0.0)


def _host_readings(capture: Capture) -> Array:
    """The host's readings of the box's clock within the boot that has most of them, as `host_clock` takes them."""
    readings = host_time.readings_of(capture)
    boots = [reading.boot_id for reading in readings]
    boot = max(set(boots), key=boots.count, default="")
    gates = [
        (reading.clock_us / 1e6, reading.sent_unix_s, reading.received_unix_s)
        for reading in readings
        if reading.boot_id == boot
    ]
    return np.array(gates, float)  # None becomes NaN
