"""Was the box truly at rest? Each check says what it saw, and what to do if it fails."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.capture.sweep import Sweep

Array = NDArray[np.float64]

GRAVITY_MS2 = (9.3, 10.3)
"""Range of the mean specific force at rest: gravity, with a chip's offset and scale error."""
LOUDER = 1.3
"""A second whose standard deviation exceeds the median second's by this factor holds more than noise."""

KNOCK = 8.0
"""Standard deviations that normal noise does not reach in years."""

LEANS_MS2 = 0.05
"""Change of a second's mean: 1/3°, well above a chip's drift with temperature."""

TURNS_RADS = float(np.deg2rad(0.2))
SWAY = 1.5
"""Amplitude density from 1 to 10 Hz over that of the white band. A sensor's own slow noise stays below."""

TONES = 0.1
"""Share of a floor's power. It turns a noise share of 10 %, at which comparisons warn, into 11 %."""

ABOVE_DATA_SHEET = 3.0
"""Density over the data sheet's, which is typical and has no maximum. Parts scatter by tens of percent and a supply
adds some; three times is nine times the power, which only motion or a fault makes."""


@dataclass(frozen=True)
class RestCheck:
    """One condition for rest; `text` says what was seen."""

    name: str
    ok: bool
    value: float
    limit: float
    text: str


def judge(
    sweep: Sweep, scale_ms2: float, scale_rads: float, sway: Array, tones: float, above_data_sheet: float
) -> list[RestCheck]:
    """Check a recording, swept second by second in counts; at rest every check is `ok`.

    `sway` (3,) is the amplitude density from 1 to 10 Hz over that of the white noise, `tones` the largest share of
    tones in a floor's power, `above_data_sheet` the density over the data sheet's.
    """
    mean, spread = sweep.mean[:, :3], sweep.spread[:, :3]
    low_ms2, high_ms2 = GRAVITY_MS2
    length_ms2 = float(np.linalg.norm(mean.mean(axis=0)) * scale_ms2)
    typical = np.maximum(np.median(spread, axis=0), 1e-9)
    loudness = (spread / typical).max(axis=1)
    louder = np.flatnonzero(loudness > LOUDER)
    peak = (np.maximum(sweep.highest[:, :3] - mean, mean - sweep.lowest[:, :3]) / typical).max(axis=1)
    knocks = np.flatnonzero(peak > KNOCK)
    lean_ms2 = _change(mean * scale_ms2)
    turn_rads = _change(sweep.mean[:, 3:] * scale_rads)
    is_gravity, text = low_ms2 <= length_ms2 <= high_ms2, f"mean specific force {length_ms2:.3f} m/s²"
    advice = "" if is_gravity else ": not gravity, so it moved or the scale is wrong"
    return [
        RestCheck("gravity", is_gravity, length_ms2, high_ms2, text + advice),
        _check(
            "even",
            loudness.max(),
            LOUDER,
            f"loudest second {loudness.max():.2f} times the median second",
            f"{louder.size} of {loudness.size} s disturbed ({_places(louder)}); away from doors, feet and machines",
        ),
        _check(
            "no_knock",
            peak.max(),
            KNOCK,
            f"largest sample {peak.max():.1f} standard deviations",
            f"knocked in {knocks.size} s ({_places(knocks)}); leave the table alone",
        ),
        _check(
            "not_leaning",
            lean_ms2,
            LEANS_MS2,
            f"a second's mean changes by {lean_ms2:.4f} m/s²",
            "it tipped; tape the cable down",
        ),
        _check(
            "not_turning",
            turn_rads,
            TURNS_RADS,
            f"a second's mean rotation changes by {np.rad2deg(turn_rads):.3f} °/s",
            "it was turned",
        ),
        _check(
            "no_sway",
            sway.max(),
            SWAY,
            f"density from 1 to 10 Hz is {sway.max():.2f} times the white noise's",
            "the surface moves; ground floor, stone, at night",
        ),
        _check(
            "no_tones",
            tones,
            TONES,
            f"tones make up to {100 * tones:.0f} % of a noise floor's power",
            "something hums; put it on foam, away from motors, fans and mains transformers",
        ),
        _check(
            "data_sheet",
            above_data_sheet,
            ABOVE_DATA_SHEET,
            f"noise density is up to {above_data_sheet:.2g} times the data sheet's",
            "it was shaken; put it on foam, away from motors. If it stays, change cable and supply, then the sensor",
        ),
    ]


def _check(name: str, value: float, limit: float, text: str, advice: str) -> RestCheck:
    ok = bool(value <= limit)
    return RestCheck(name, ok, float(value), limit, text if ok else f"{text}: {advice}")


def _change(means: Array) -> float:
    """Largest departure of a second's mean, of (n, axes), from the median second's."""
    return float(np.abs(means - np.median(means, axis=0)).max())


def _places(seconds: NDArray[Any]) -> str:
    """The first three seconds, from the start."""
    return "at " + ", ".join(f"{s} s" for s in seconds[:3].tolist()) + (" …" if seconds.size > 3 else "")
