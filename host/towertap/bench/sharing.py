"""How much of a metric is the sensor's own noise, and which metrics reach beyond what the mounting carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from towertap.bench import floors
from towertap.bench.records import Record
from towertap.signals.metrics import METRICS, THIRDS, Settings

Array = NDArray[np.float64]
Judged = Literal["clean", "marked", "not judged"]

MARKED_SHARE = 0.10
NOT_JUDGED_SHARE = 0.50
"""Of a metric's power."""

SAME_BAND = 0.01
"""Bands whose edges differ by less are one: they follow the true rate, a few parts in a thousand."""


@dataclass(frozen=True)
class Share:
    """The noise in one figure: `floor` as r.m.s. of the filtered signal in `unit`, `share` of its power (0 to 1)."""

    metric: str
    floor: float
    unit: str
    share: float
    judged: Judged

    @property
    def words(self) -> str:
        """One line for people; empty when the figure is clean."""
        if self.judged == "clean":
            return ""
        rest = "not judged" if self.judged == "not judged" else "read with care"
        return f"{self.metric}: {100 * self.share:.0f} % of its power is the sensor's own noise; {rest}"


def noise_share(
    figures: Mapping[str, float], noise: Record, rotation: ArrayLike, settings: Settings
) -> dict[str, Share]:
    """The share of sensor noise in each figure, by metric name.

    `figures` are whole or windowed values by metric name (an r.m.s. metric's own; `vdv_z`, `mtvv_z` and
    `crest_factor_z` take the share of `weighted_z`, which must be among them), `noise` a noise record, `rotation`
    (3, 3) vehicle = R @ chip, `settings` those of the analysis. The chip's axes are
    independent, so their noise powers add.
    """
    turned = np.asarray(rotation, float)
    shares = {}
    for name in figures:
        if name not in METRICS | THIRDS or (base := floors.power_metric(name)).name not in figures:
            continue
        on_chip = chip_floor(base.name, noise, settings)
        if on_chip is None:
            continue
        floor = float(np.sqrt(turned["xyz".index(base.axis)] ** 2 @ on_chip**2))
        value = figures[base.name]
        share = min(1.0, (floor / value) ** 2) if value > 0 else 1.0
        shares[name] = Share(name, floor, base.unit, share, judged(share))
    return shares


def judged(share: float) -> Judged:
    """What a share of noise power means for a figure."""
    return "not judged" if share > NOT_JUDGED_SHARE else "marked" if share > MARKED_SHARE else "clean"


def chip_floor(name: str, noise: Record, settings: Settings) -> Array | None:
    """R.m.s. of the noise in an r.m.s. metric on each chip axis (3,); None when the rate does not carry it.

    As recorded at rest when the band is the one recorded, else from the density of the white noise.
    """
    held, metric = noise.result["floors"].get(name), floors.power_metric(name)
    if held and np.allclose(held["band_hz"], metric.band_hz(settings), rtol=SAME_BAND, atol=1e-9):
        return np.array(held["rms"])
    return floors.white(noise.result["density"]["value"], settings, {name: metric}).get(name)


def beyond_mounting(bands_hz: Mapping[str, tuple[float, float]], tap: Record) -> dict[str, str]:
    """The metrics whose band passes a third of the mounted resonance, each with its reason.

    `bands_hz` as in an analysis: metric name → band. ISO 5348 practice; see `bench.tap`.
    """
    third_hz = float(tap.result["usable_hz"]["one_third"])
    return {
        name: f"{name} reaches {high:g} Hz, and the mounting is good to {third_hz:.0f} Hz (a third of its resonance)"
        for name, (_, high) in bands_hz.items()
        if high > third_hz
    }
