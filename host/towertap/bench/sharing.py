"""How much of a metric is the sensor's own noise, and which metrics reach beyond what the mounting carries."""

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
"""At a stand the engine is heard when some metric's power is so many times the sensor's own: one that is off is not."""
MARKED_SHARE = 0.10
NOT_JUDGED_SHARE = 0.50
"""Of a metric's power."""

SAME_BAND = 0.01
"""Bands whose edges differ by less are one: they follow the true rate, a few parts in a thousand."""


@dataclass(frozen=True)
class Share:
    """What is no road in one metric: `floor` as r.m.s. of the filtered signal in `unit`, `share` of its power (0 to 1).

    The sensor's own noise or, where that is more, the idling engine's (`of`): as a record has it, as the vehicle shook
    where it stood in the pass, or, where nothing tells, all that the quietest pass has, which the engine cannot pass.
    """

    metric: str
    floor: float
    unit: str
    share: float
    judged: Judged
    of: Origin = "sensor"

    @property
    def source(self) -> str:
        """Whose it is, for people."""
        return SOURCES[self.of]

    @property
    def drowns(self) -> bool:
        """Whether it is more than half of the power, so that nothing is judged."""
        return self.judged == "not judged"

    def over(self, value: float) -> Self:
        """The share in a value over part of a pass, from that over the whole of it: its floor is the same.

        That takes an r.m.s. or, of another pass, a value of the metric's own; else the whole pass's share stands in.
        """
        if self.of != "unrecorded" and self.metric in METRICS and METRICS[self.metric].statistic is not RMS:
            return self
        share = min(1.0, (self.floor / value) ** 2)
        return replace(self, share=share, judged=judged(share, self.of))

    def narrowed(self, margin: float) -> float:
        """The margin of what is measured that holds the true ratio inside `margin`, part of the power being no road's.

        With a share s of it, a true ratio r shows as √(s + (1 − s) r²).
        """
        if self.judged == "clean":
            return margin
        above, below = (math.sqrt(self.share + (1 - self.share) * r**2) for r in (1 + margin, 1 / (1 + margin)))
        return min(above, 1 / below) - 1

    @property
    def words(self) -> str:
        """One line for people; empty when it is clean."""
        if self.judged == "clean":
            return ""
        rest = "not judged" if self.judged == "not judged" else "read with care"
        return f"{self.metric}: {100 * self.share:.0f} % of its power is {self.source}; {rest}"


def noise_share(
    metrics: Mapping[str, Metric],
    power: Mapping[Channel, float],
    noise: Record,
    to_vehicle: ArrayLike,
    settings: MetricSettings,
    idle: Record | None = None,
    stand: Mapping[Channel, float] | None = None,
) -> dict[str, Share]:
    """The share of sensor noise in the power of what each metric listens to, by metric name.

    Where the idling engine makes more of the same band, that stands in: the sensor's noise is in it.

    `power` is the mean square of each filtered signal and `stand` that at a stand in the pass, which tells of the
    engine where no `idle` record does; `noise` is a noise record, `to_vehicle` (3, 3) and `settings` are those of the
    analysis. The chip's axes are independent, so their noise powers add. A metric that listens to the
    rotation has none, and so has every metric where the noise is not known.
    """
    turned = np.asarray(to_vehicle, float)
    floors_square = {
        name: sum(
            float(turned[ACCELERATIONS.index(channel.axis)] ** 2 @ chip_floor(channel.design, noise, settings) ** 2)
            for channel in metric.channels
        )
        for name, metric in metrics.items()
        if set(metric.axes) <= set(ACCELERATIONS)
    }
    if stand and all(_total(metrics[name], stand) < HEARD * floor for name, floor in floors_square.items()):
        stand = None
    shares = {}
    for name, floor_square in floors_square.items():
        metric = metrics[name]
        engine_square, of = _of_engine(metric, settings, idle, stand)
        if engine_square > floor_square or math.isnan(floor_square):  # of a recorder that nobody knows
            floor_square = engine_square
        else:
            of = "sensor"
        if math.isnan(floor_square):
            continue
        signal_square = _total(metric, power)
        share = min(1.0, floor_square / signal_square) if signal_square > 0 else 1.0
        shares[name] = Share(name, math.sqrt(floor_square), metric.channels[0].design.unit, share, judged(share), of)
    return shares


def _of_engine(
    metric: Metric, settings: MetricSettings, idle: Record | None, stand: Mapping[Channel, float] | None
) -> tuple[float, Origin]:
    """Mean square of what the idling engine makes of a metric, NaN where nothing tells, and what tells it."""
    level = idle.result["levels"].get(metric.name) if idle else None
    if level and np.allclose(level["band_hz"], metric.band_hz(settings), rtol=SAME_BAND, atol=1e-9):
        return level["rms"] ** 2, "idle"
    if stand:
        return _total(metric, stand), "stand"
    return math.nan, "sensor"


def _total(metric: Metric, power: Mapping[Channel, float]) -> float:
    """The power of all that a metric listens to."""
    return sum(power[channel.source] for channel in metric.channels)


def judged(share: float, of: Origin = "sensor") -> Judged:
    """What a share of noise power means for a value; what may be noise and may not does not undo a verdict."""
    if of == "unrecorded":
        share = min(share, NOT_JUDGED_SHARE)
    return "not judged" if share > NOT_JUDGED_SHARE else "marked" if share > MARKED_SHARE else "clean"


def chip_floor(design: FilterDesign, noise: Record, settings: MetricSettings) -> Array:
    """R.m.s. of the noise through a filter on each chip axis (3,).

    As recorded at rest when the band is the one recorded, else from the density of the white noise.
    """
    for name in (name for name, recorded in floors.DESIGNS.items() if recorded == design):
        floor = noise.result["floors"].get(name)
        if floor and np.allclose(floor["band_hz"], design.band_hz(settings), rtol=SAME_BAND, atol=1e-9):
            return np.array(floor["rms"])
    nominal = replace(settings, rate_hz=noise.subject.odr_hz)  # the gain is the same, and computed once
    return np.array(noise.result["density"]["value"]) * floors.noise_gain(design, nominal)


def beyond_mounting(bands_hz: Mapping[str, tuple[float, float]], tap: Record | None) -> dict[str, str]:
    """The metrics whose band passes a third of the mounted resonance, each with its reason.

    `bands_hz` as in an analysis: metric name → band; none without a record. ISO 5348 practice; see `bench.tap`.
    """
    if tap is None:
        return {}
    third_hz = float(tap.result["usable_hz"]["one_third"])
    return {
        name: f"{name} reaches {high:g} Hz, and the mounting is good to {third_hz:.0f} Hz (a third of its resonance)"
        for name, (_, high) in bands_hz.items()
        if high > third_hz
    }
