"""How much of a metric is sensor noise or engine vibration, and which metrics exceed the mounting's usable band."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from towertap.bench import floors
from towertap.bench.records import Record
from towertap.signals.channels import ACCELERATIONS, Channel, FilterDesign, MetricSettings
from towertap.signals.metrics import METRICS, RMS, Metric

Array = NDArray[np.float64]
Judged = Literal["clean", "marked", "not judged"]
Origin = Literal["sensor", "idle", "stand", "unrecorded"]

SOURCES: dict[Origin, str] = {
    "sensor": "the sensor's own noise",
    "idle": "the engine's, as it was recorded idling",
    "stand": "the engine's, as the vehicle stood in the pass",
    "unrecorded": "perhaps the engine's, which was not recorded idling",
}

HEARD = 4.0
"""The engine runs at a standstill if some metric's power is this many times the sensor's noise."""
MARKED_SHARE = 0.10
NOT_JUDGED_SHARE = 0.50
"""Of a metric's power."""

SAME_BAND = 0.01
"""Bands are the same if their edges differ by less: edges follow the true rate, by a few parts in a thousand."""


@dataclass(frozen=True)
class Share:
    """The part of one metric that is not road.

    `floor` is the r.m.s. of the filtered signal in `unit`, `share` its part of the metric's power (0 to 1). `of` is the
    larger source: the sensor's noise or the idling engine. The engine's level comes from an idle record, from a stop in
    the pass, or, if neither exists, from the quietest pass as an upper bound.
    """

    metric: str
    floor: float
    unit: str
    share: float
    judged: Judged
    of: Origin = "sensor"

    @property
    def source(self) -> str:
        """The source in words."""
        return SOURCES[self.of]

    @property
    def drowns(self) -> bool:
        """Whether it is more than half of the power, so that nothing is judged."""
        return self.judged == "not judged"

    def over(self, value: float) -> Self:
        """The share in a value over part of a pass, which has the same floor.

        For an r.m.s., or a floor from another pass. Other metrics keep the share of the entire pass.
        """
        if self.of != "unrecorded" and self.metric in METRICS and METRICS[self.metric].statistic is not RMS:
            return self
        share = min(1.0, (self.floor / value) ** 2)
        return replace(self, share=share, judged=judged(share, self.of))

    def narrowed(self, margin: float) -> float:
        """The margin for the measured ratio that keeps the true ratio, of the road alone, inside `margin`.

        With a share s, a true ratio r is measured as √(s + (1 − s) r²).
        """
        if self.judged == "clean":
            return margin
        above, below = (math.sqrt(self.share + (1 - self.share) * r**2) for r in (1 + margin, 1 / (1 + margin)))
        return min(above, 1 / below) - 1

    @property
    def words(self) -> str:
        """One line for people; empty if clean."""
        if self.judged == "clean":
            return ""
        advice = "not judged" if self.drowns else "read with care"
        return f"{self.metric}: {100 * self.share:.0f} % of its power is {self.source}; {advice}"


def noise_share(
    metrics: Mapping[str, Metric],
    power: Mapping[Channel, float],
    noise: Record,
    to_vehicle: ArrayLike,
    settings: MetricSettings,
    idle: Record | None = None,
    stand: Mapping[Channel, float] | None = None,
) -> dict[str, Share]:
    """The share of sensor noise, or of the idling engine if that is larger, in each metric's power, by metric name.

    `power` is the mean square of each filtered signal. `noise` is a noise record; `to_vehicle` (3, 3) and `settings`
    are those of the analysis. The engine's level comes from the record `idle`, or else from `stand`, the mean squares
    at a stop in the pass; both include the sensor's noise. Noise of the chip's axes is independent, so powers add.
    Metrics that use rotation have no share, nor has any metric whose noise is unknown.
    """
    rotation = np.asarray(to_vehicle, float)
    sensor_powers = {
        name: sum(
            float(rotation[ACCELERATIONS.index(channel.axis)] ** 2 @ chip_floor(channel.design, noise, settings) ** 2)
            for channel in metric.channels
        )
        for name, metric in metrics.items()
        if set(metric.axes) <= set(ACCELERATIONS)
    }
    if stand and all(_total(metrics[name], stand) < HEARD * sensor for name, sensor in sensor_powers.items()):
        stand = None
    shares = {}
    for name, floor_power in sensor_powers.items():
        metric = metrics[name]
        engine_power, of = _engine(metric, settings, idle, stand)
        if engine_power > floor_power or math.isnan(floor_power):  # NaN: another recorder, of unknown noise
            floor_power = engine_power
        else:
            of = "sensor"
        if math.isnan(floor_power):
            continue
        signal_power = _total(metric, power)
        share = min(1.0, floor_power / signal_power) if signal_power > 0 else 1.0
        shares[name] = Share(name, math.sqrt(floor_power), metric.channels[0].design.unit, share, judged(share), of)
    return shares


def _engine(
    metric: Metric, settings: MetricSettings, idle: Record | None, stand: Mapping[Channel, float] | None
) -> tuple[float, Origin]:
    """Mean square of the idling engine in a metric, NaN if unknown, and where it is from."""
    level = idle.result["levels"].get(metric.name) if idle else None
    if level and np.allclose(level["band_hz"], metric.band_hz(settings), rtol=SAME_BAND, atol=1e-9):
        return level["rms"] ** 2, "idle"
    if stand:
        return _total(metric, stand), "stand"
    return math.nan, "sensor"


def _total(metric: Metric, power: Mapping[Channel, float]) -> float:
    """The power of a metric's channels together."""
    return sum(power[channel.source] for channel in metric.channels)


def judged(share: float, of: Origin = "sensor") -> Judged:
    """What a share of noise power means for a value. An upper bound ("unrecorded") does not withhold a verdict."""
    if of == "unrecorded":
        share = min(share, NOT_JUDGED_SHARE)
    return "not judged" if share > NOT_JUDGED_SHARE else "marked" if share > MARKED_SHARE else "clean"


def chip_floor(design: FilterDesign, noise: Record, settings: MetricSettings) -> Array:
    """R.m.s. of the noise through a filter on each chip axis (3,).

    As recorded at rest if the record has this band, else from the density of white noise.
    """
    for name in (name for name, recorded in floors.DESIGNS.items() if recorded == design):
        floor = noise.result["floors"].get(name)
        if floor and np.allclose(floor["band_hz"], design.band_hz(settings), rtol=SAME_BAND, atol=1e-9):
            return np.array(floor["rms"])
    nominal = replace(settings, rate_hz=noise.subject.odr_hz)  # the same gain, cached for all captures
    return np.array(noise.result["density"]["value"]) * floors.noise_gain(design, nominal)


def beyond_mounting(bands_hz: Mapping[str, tuple[float, float]], tap: Record | None) -> dict[str, str]:
    """The metrics whose band exceeds a third of the mounted resonance, with the reason; none without a record.

    `bands_hz`: metric name → band. ISO 5348 practice; see `bench.tap`.
    """
    if tap is None:
        return {}
    third_hz = float(tap.result["usable_hz"]["one_third"])
    return {
        name: f"{name} reaches {high:g} Hz, and the mounting is good to {third_hz:.0f} Hz (a third of its resonance)"
        for name, (_, high) in bands_hz.items()
        if high > third_hz
    }
