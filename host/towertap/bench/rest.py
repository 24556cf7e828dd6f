"""Was the box truly at rest? Each rule says what it looked at, and what to do when it does not hold."""

from __future__ import annotations

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

TURNS_RADS = np.deg2rad(0.2)
SWAY = 1.5
"""Amplitude density from 1 to 10 Hz over that of the white band: a sensor's own slow noise stays below."""


@dataclass(frozen=True)
class Rule:
    """One thing that rest means; `text` says what was found."""

    name: str
    ok: bool
    value: float
    limit: float
    text: str


@dataclass(frozen=True, eq=False)
class Stillness:
    """What the rules look at: a recording second by second in counts, scales, and slow over white density (3,)."""

    sweep: Sweep
    scale_ms2: float
    scale_rads: float
    sway: Array


def gravity(found: Stillness) -> Rule:
    """The mean specific force has the length of gravity."""
    length = float(np.linalg.norm(found.sweep.mean[:, :3].mean(axis=0)) * found.scale_ms2)
    ok = GRAVITY_MS2[0] <= length <= GRAVITY_MS2[1]
    text = f"mean specific force {length:.3f} m/s²" + ("" if ok else ": not gravity, so it moved or the scale is wrong")
    return Rule("gravity", ok, length, GRAVITY_MS2[1], text)


def even(found: Stillness) -> Rule:
    """Every second is as loud as the others."""
    spread = found.sweep.spread[:, :3]
    ratio = (spread / np.maximum(np.median(spread, axis=0), 1e-9)).max(axis=1)
    louder = np.flatnonzero(ratio > LOUDER)
    text = f"loudest second {ratio.max():.2f} of the median second"
    if louder.size:
        text += f": {louder.size} of {ratio.size} s disturbed ({_places(louder)}); away from doors, feet and machines"
    return Rule("even", not louder.size, float(ratio.max()), LOUDER, text)


def no_knock(found: Stillness) -> Rule:
    """No sample stands out of the noise as a knock does."""
    sweep, axes = found.sweep, slice(0, 3)
    spread = np.maximum(np.median(sweep.spread[:, axes], axis=0), 1e-9)
    reach = np.maximum(sweep.highest[:, axes] - sweep.mean[:, axes], sweep.mean[:, axes] - sweep.lowest[:, axes])
    ratio = (reach / spread).max(axis=1)
    knocks = np.flatnonzero(ratio > KNOCK)
    text = f"largest sample {ratio.max():.1f} standard deviations"
    if knocks.size:
        text += f": knocked in {knocks.size} s ({_places(knocks)}); leave the table alone"
    return Rule("no_knock", not knocks.size, float(ratio.max()), KNOCK, text)


def not_leaning(found: Stillness) -> Rule:
    """Gravity stays on the same axes."""
    mean = found.sweep.mean[:, :3] * found.scale_ms2
    change = float(np.abs(mean - np.median(mean, axis=0)).max())
    text = f"a second's mean changes by {change:.4f} m/s²"
    ok = change <= LEANS_MS2
    return Rule("not_leaning", ok, change, LEANS_MS2, text + ("" if ok else ": it tipped; tape the cable down"))


def not_turning(found: Stillness) -> Rule:
    """The gyroscope sees no turn."""
    mean = found.sweep.mean[:, 3:] * found.scale_rads
    change = float(np.abs(mean - np.median(mean, axis=0)).max())
    ok = bool(change <= TURNS_RADS)
    text = f"a second's mean rotation changes by {np.rad2deg(change):.3f} °/s"
    return Rule("not_turning", ok, change, float(TURNS_RADS), text + ("" if ok else ": it was turned"))


def no_sway(found: Stillness) -> Rule:
    """The surface is still from 1 to 10 Hz as well."""
    worst = float(found.sway.max())
    ok = worst <= SWAY
    text = f"density from 1 to 10 Hz is {worst:.2f} of the white noise's"
    return Rule("no_sway", ok, worst, SWAY, text + ("" if ok else ": the surface moves; ground floor, stone, at night"))


RULES: tuple[Callable[[Stillness], Rule], ...] = (gravity, even, no_knock, not_leaning, not_turning, no_sway)


def judge(found: Stillness) -> list[Rule]:
    """Hold a recording to every rule; it was at rest when all are `ok`."""
    return [rule(found) for rule in RULES]


def _places(seconds: NDArray[Any]) -> str:
    """The first few seconds, counted from the start."""
    return "at " + ", ".join(f"{s} s" for s in seconds[:3].tolist()) + (" …" if seconds.size > 3 else "")
