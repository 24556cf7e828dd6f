"""Was the box truly at rest? Each check says what it looked at, and what to do when it does not hold."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.capture.sweep import Sweep

Array = NDArray[np.float64]

GRAVITY_MS2 = (9.3, 10.3)
LOUDER = 1.3
"""A second whose standard deviation passes the median second's by this factor had something in it besides noise."""

KNOCK = 8.0
"""Standard deviations that normal noise does not reach in years."""

LEANS_MS2 = 0.05
"""Change of a second's mean: a third of a degree, well above a chip's drift with temperature."""

TURNS_RADS = float(np.deg2rad(0.2))
SWAY = 1.5
"""Amplitude density from 1 to 10 Hz over that of the white band: a sensor's own slow noise stays below."""


@dataclass(frozen=True)
class RestCheck:
    """One thing that rest means; `text` says what was seen."""

    name: str
    ok: bool
    value: float
    limit: float
    text: str


@dataclass(frozen=True, eq=False)
class Stillness:
    """What the checks look at: a recording second by second in counts, scales, and slow over white density (3,)."""

    sweep: Sweep
    scale_ms2: float
    scale_rads: float
    sway: Array


def _check(name: str, value: float, limit: float, text: str, advice: str) -> RestCheck:
    ok = bool(value <= limit)
    return RestCheck(name, ok, float(value), limit, text if ok else f"{text}: {advice}")


def gravity(still: Stillness) -> RestCheck:
    """The mean specific force has the length of gravity."""
    length = float(np.linalg.norm(still.sweep.mean[:, :3].mean(axis=0)) * still.scale_ms2)
    low, high = GRAVITY_MS2
    text, ok = f"mean specific force {length:.3f} m/s²", low <= length <= high
    advice = "" if ok else ": not gravity, so it moved or the scale is wrong"
    return RestCheck("gravity", ok, length, high, text + advice)


def even(still: Stillness) -> RestCheck:
    """Every second is as loud as the others."""
    spread = still.sweep.spread[:, :3]
    ratio = (spread / np.maximum(np.median(spread, axis=0), 1e-9)).max(axis=1)
    louder = np.flatnonzero(ratio > LOUDER)
    advice = f"{louder.size} of {ratio.size} s disturbed ({_places(louder)}); away from doors, feet and machines"
    return _check("even", ratio.max(), LOUDER, f"loudest second {ratio.max():.2f} of the median second", advice)


def no_knock(still: Stillness) -> RestCheck:
    """No sample stands out of the noise as a knock does."""
    lowest, mean, highest = (part[:, :3] for part in (still.sweep.lowest, still.sweep.mean, still.sweep.highest))
    spread = np.maximum(np.median(still.sweep.spread[:, :3], axis=0), 1e-9)
    ratio = (np.maximum(highest - mean, mean - lowest) / spread).max(axis=1)
    knocks = np.flatnonzero(ratio > KNOCK)
    advice = f"knocked in {knocks.size} s ({_places(knocks)}); leave the table alone"
    return _check("no_knock", ratio.max(), KNOCK, f"largest sample {ratio.max():.1f} standard deviations", advice)


def not_leaning(still: Stillness) -> RestCheck:
    """Gravity stays on the same axes."""
    change = _change(still.sweep.mean[:, :3] * still.scale_ms2)
    text = f"a second's mean changes by {change:.4f} m/s²"
    return _check("not_leaning", change, LEANS_MS2, text, "it tipped; tape the cable down")


def not_turning(still: Stillness) -> RestCheck:
    """The gyroscope sees no turn."""
    change = _change(still.sweep.mean[:, 3:] * still.scale_rads)
    text = f"a second's mean rotation changes by {np.rad2deg(change):.3f} °/s"
    return _check("not_turning", change, TURNS_RADS, text, "it was turned")


def no_sway(still: Stillness) -> RestCheck:
    """The surface is still from 1 to 10 Hz as well."""
    worst = still.sway.max()
    text = f"density from 1 to 10 Hz is {worst:.2f} of the white noise's"
    return _check("no_sway", worst, SWAY, text, "the surface moves; ground floor, stone, at night")


CHECKS: tuple[Callable[[Stillness], RestCheck], ...] = (gravity, even, no_knock, not_leaning, not_turning, no_sway)


def judge(still: Stillness) -> list[RestCheck]:
    """Hold a recording to every check; it was at rest when all are `ok`."""
    return [check(still) for check in CHECKS]


def _change(means: Array) -> float:
    """Largest departure of a second's mean (n, axes) from the median second's."""
    return float(np.abs(means - np.median(means, axis=0)).max())


def _places(seconds: NDArray[Any]) -> str:
    """The first few seconds, counted from the start."""
    return "at " + ", ".join(f"{s} s" for s in seconds[:3].tolist()) + (" …" if seconds.size > 3 else "")
