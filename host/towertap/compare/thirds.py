"""Where in frequency a change lies: every third-octave and wide band of a road, after against before, held together.

This locates a change and decides nothing: the verdicts are the findings' alone. Every band of a road is looked at with
intervals that hold all together at 95 %, so that one that clears 1 may be pointed at although so many were looked at.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from towertap.bench.sharing import NOT_JUDGED_SHARE, Judged, Share
from towertap.compare.blocks import Slot
from towertap.compare.effect import NO_SPREAD, Blocks, additive, tells_spread
from towertap.compare.instrument import share_at
from towertap.compare.model import Drives, Pass, Side
from towertap.compare.phrases import listed
from towertap.compare.places import Places
from towertap.compare.statistics import energy_mean
from towertap.signals.bands import BANDS, NOMINAL, edges_hz
from towertap.signals.metrics import METRICS, THIRDS

Array = NDArray[np.float64]

CONFIDENCE = 0.95
"""Of all intervals of a road together."""

LOCATES = "It locates a change and decides nothing: that is for the findings alone."

_EDGES_HZ = {name: edges_hz(nominal) for name, nominal in zip(THIRDS, NOMINAL, strict=True)} | {
    f"{name}_z": edges for name, edges in BANDS.items()
}
_NAMES = {name: f"{nominal} Hz" for name, nominal in zip(THIRDS, NOMINAL, strict=True)} | {
    f"{name}_z": f"{METRICS[f'{name}_z'].label.removeprefix('vertical ')} ({low:g} to {high:g} Hz)"
    for name, (low, high) in BANDS.items()
}


@dataclass(frozen=True)
class BandChange:
    """One band of one road: `before` and `after` are geometric means over passes, r.m.s. in m/s².

    `ratio` = after / before, `interval` holds it together with all other bands of the road (None where there is none),
    `shown` is the sign of a change that the interval shows, 0 where it holds 1, where there is no interval and where
    the band is not judged. `noise_share` is the sensor's own part of the power in the pass where it is largest,
    `judged` what that means: a band is not judged where noise is most of the power on both sides (None: nobody knows),
    `beyond` why the mounting does not carry the band (None: it does, or nobody knows). `edges_hz` are where the band is
    down by 3 dB.
    """

    metric: str
    name: str
    edges_hz: tuple[float, float]
    before: float
    after: float
    ratio: float
    interval: tuple[float, float] | None
    shown: int
    noise_share: float | None
    judged: Judged | None
    beyond: str | None


@dataclass(frozen=True)
class RoadBands:
    """The bands of one road, upwards in frequency: `thirds` and, across them, `wide`.

    `basis` is what every figure rests on (`places` of them where the road is cut into places, 0 for whole passes),
    `passes` how many there are before and after, `words` a sentence for people, `left_out` bands that some pass has
    nothing in.
    """

    road: str
    basis: str
    places: int
    passes: tuple[int, int]
    thirds: tuple[BandChange, ...]
    wide: tuple[BandChange, ...]
    left_out: tuple[str, ...]
    words: str


def where_the_change_is(
    drives: Drives, road: str, places: Places | None, slots: Mapping[str, Slot] | None = None
) -> RoadBands | None:
    """Hold every band that all passes over a road carry against itself, before and after; None where there is none.

    Figures are over all places that every pass covers, rough or not, so that no band picks its own road; over whole
    passes where there are no such `places`. `slots` are those of the passes where blocks decide the road.
    """
    sides = drives.of(road, "before"), drives.of(road, "after")
    passes = [*sides[0], *sides[1]]
    carried = [name for name in _EDGES_HZ if all(name in one.cells for one in passes)]
    if not any(name in THIRDS for name in carried):
        return None
    aligned = places if places is not None and places.alignment.warning is None else None
    figures = {name: _figures(passes, name, aligned) for name in carried}
    held = {name: found for name, found in figures.items() if np.all(found > 0)}
    split = len(sides[0])
    logs = np.log(np.column_stack(list(held.values()))) if held else np.empty((len(passes), 0))
    blocks = None
    if slots is not None:
        before, after = ([slots[one.name].block for one in side] for side in sides)
        blocks = before, after
    ratios, lows, highs = joint_intervals(logs[:split], logs[split:], blocks)
    changes = {
        name: _change(passes, name, found, split, ratio, (low, high))
        for (name, found), ratio, low, high in zip(held.items(), ratios, lows, highs, strict=True)
    }
    thirds = tuple(one for name, one in changes.items() if name in THIRDS)
    wide = tuple(one for name, one in changes.items() if name not in THIRDS)
    counts = (split, len(passes) - split)
    return RoadBands(
        road=road,
        basis="all places that every pass covers" if aligned else "whole passes",
        places=aligned.alignment.places if aligned else 0,
        passes=counts,
        thirds=thirds,
        wide=wide,
        left_out=tuple(_NAMES[name] for name in carried if name not in held),
        words=describe(road, counts, thirds, wide),
    )


def joint_intervals(before: Array, after: Array, blocks: Blocks | None = None) -> tuple[Array, Array, Array]:
    """Ratios (b,) of geometric means and the ends (b,) of intervals that hold all of them together at CONFIDENCE.

    `before` and `after` are logarithms of the figures of passes, (passes, bands). The intervals are Welch's, each with
    its part of what is left of CONFIDENCE (Bonferroni, whatever the correlation of bands). So far out in the tails the
    degrees of freedom matter more than anything, and from few passes one band tells them badly: they are taken as no
    more than those of the mean over bands of the sides' parts in the squared error, for passes stray as they are driven
    and a side does so much alike in all bands (`tests/compare/band_coverage.py` has what holds without and with that).
    Where `blocks` pair the parts the intervals are those of the additive model, whose degrees of freedom are known. NaN
    where a side has fewer than two passes or the passes of a band are copies.
    """
    sides = (before, after)
    difference = after.mean(axis=0) - before.mean(axis=0)
    ends = np.full((2, difference.size), np.nan)
    told = np.array([tells_spread(*(side[:, band] for side in sides)) for band in range(difference.size)], bool)
    if blocks is not None:
        effects = [additive(*bands, blocks) for bands in zip(before.T, after.T, strict=True)]
        difference = np.array([one.difference for one in effects])
        error, df = (np.array([getattr(one, name) for one in effects]) for name in ("error", "df"))
        told &= error > NO_SPREAD
        reach = stats.t.isf((1 - CONFIDENCE) / 2 / max(told.sum(), 1), df) * error
        ends[:, told] = difference[told] + np.array([-reach, reach])[:, told]
    elif min(len(before), len(after)) > 1 and told.any():
        parts = np.array([side[:, told].var(axis=0, ddof=1) / len(side) for side in sides])
        shares = parts / parts.sum(axis=0)
        together = np.broadcast_to(shares.mean(axis=1, keepdims=True), shares.shape)
        freedom = np.minimum(
            *(1 / (of[0] ** 2 / (len(before) - 1) + of[1] ** 2 / (len(after) - 1)) for of in (shares, together))
        )
        reach = stats.t.isf((1 - CONFIDENCE) / 2 / told.sum(), freedom) * np.sqrt(parts.sum(axis=0))
        ends[:, told] = difference[told] + np.array([-reach, reach])
    with np.errstate(over="ignore"):  # two passes may leave an interval without an end that a float holds
        low, high = np.exp(ends)
    return np.exp(difference), low, high


def _figures(passes: Sequence[Pass], metric: str, places: Places | None) -> Array:
    """R.m.s. of each pass (n,) over the shared places, or over the whole of it."""
    if places is None:
        return np.array([energy_mean(one.cells[metric]) for one in passes])
    at = {one.name: energy_mean(row) for one, row in zip(places.passes, places.figures(metric), strict=True)}
    return np.array([at[one.name] for one in passes])


def _change(
    passes: Sequence[Pass], metric: str, figures: Array, split: int, ratio: float, ends: tuple[float, float]
) -> BandChange:
    before, after = (float(np.exp(np.log(side).mean())) for side in (figures[:split], figures[split:]))
    interval = None if math.isnan(ends[0]) else (float(ends[0]), float(ends[1]))
    shares: dict[Side, list[Share]] = defaultdict(list)
    for one, figure in zip(passes, figures, strict=True):
        if metric in one.noise:
            shares[one.side].append(share_at(one.noise[metric], figure))
    most = [max(side, key=lambda one: one.share) for side in shares.values()]
    noise = max(most, key=lambda one: one.share, default=None)
    judged = noise.judged if noise else None
    if judged == "not judged" and min(one.share for one in most) <= NOT_JUDGED_SHARE:
        judged = "marked"  # the noise of one side alone pulls the ratio towards 1 and cannot make a change
    shown = 0 if interval is None or judged == "not judged" else int(interval[0] > 1) - int(interval[1] < 1)
    return BandChange(
        metric=metric,
        name=_NAMES[metric],
        edges_hz=_EDGES_HZ[metric],
        before=before,
        after=after,
        ratio=float(ratio),
        interval=interval,
        shown=shown,
        noise_share=noise.share if noise else None,
        judged=judged,
        beyond=next((one.beyond[metric] for one in passes if metric in one.beyond), None),
    )


def describe(road: str, passes: tuple[int, int], thirds: Sequence[BandChange], wide: Sequence[BandChange]) -> str:
    """One sentence on where the change of a road lies, and one on what could not be looked at."""
    if not any(one.interval for one in (*thirds, *wide)):
        few = min(passes) < 2
        why = "a side has one pass" if few else "the passes of a side are copies of one another"
        return f"On {road} no band is told from chance: {why}, so nothing shows how far passes differ by themselves."
    runs = sorted(_runs(thirds), key=_size, reverse=True)
    over = [f"{one.name} × {_ratio(one)}" for one in wide if one.shown]
    if runs:
        ways = dict.fromkeys(run[0].shown for run in runs)
        told = "; ".join(
            f"{'higher' if way > 0 else 'lower'} {listed([_run(run) for run in runs if run[0].shown == way])}"
            for way in ways
        )
        told = f"{told}; nothing is shown elsewhere"
        told += f". Over the wide bands: {listed(over)}" if over else ""
    elif over:
        told = f"no single third-octave shows a change, but wider bands do: {listed(over)}"
    else:
        told = "no band shows a change, which is no evidence that there is none"
    return f"On {road}: {told}.{_reservations(thirds)}"


def _size(run: Sequence[BandChange]) -> float:
    return max(abs(math.log(one.ratio)) for one in run)


def _runs(thirds: Sequence[BandChange]) -> list[list[BandChange]]:
    """Neighbouring third-octaves that show a change the same way."""
    order = list(THIRDS)
    runs = []
    for (shown, _), run in groupby(
        ((order.index(one.metric) - i, one) for i, one in enumerate(thirds)), key=lambda at: (at[1].shown, at[0])
    ):
        if shown:
            runs.append([one for _, one in run])
    return runs


def _run(run: Sequence[BandChange]) -> str:
    """A run of third-octaves in words, with the one that changed most."""
    if len(run) == 1:
        return f"at {run[0].name} (× {_ratio(run[0])})"
    most = max(run, key=lambda one: abs(math.log(one.ratio)))
    return f"from {run[0].name.removesuffix(' Hz')} to {run[-1].name} (most at {most.name}: × {_ratio(most)})"


def _ratio(one: BandChange) -> str:
    """Ratio and interval, to a thousandth where a hundredth would not tell an end of it from 1."""
    low, high = one.interval or (math.nan, math.nan)
    places = 3 if 1.0 in (round(low, 2), round(high, 2)) else 2
    return f"{one.ratio:.{places}f}, {low:.{places}f} to {high:.{places}f}"


def _reservations(thirds: Sequence[BandChange]) -> str:
    """What the sensor and the mounting leave of the third-octaves, as further sentences."""
    told = {
        "Not judged, for more than half of the power is the sensor's own noise": [
            one for one in thirds if one.judged == "not judged"
        ],
        "Pulled towards 1, for a tenth or more of the power is the sensor's own noise on a side": [
            one for one in thirds if one.judged == "marked"
        ],
        "Beyond what the mounting carries": [one for one in thirds if one.beyond],
    }
    return "".join(f" {words}: {_named(those)}." for words, those in told.items() if those)


def _named(thirds: Sequence[BandChange]) -> str:
    """Third-octaves in words, neighbours together."""
    order = list(THIRDS)
    told = []
    for _, group in groupby(enumerate(thirds), key=lambda at: order.index(at[1].metric) - at[0]):
        run = [one for _, one in group]
        first = run[0].name
        told.append(first if len(run) == 1 else f"{first.removesuffix(' Hz')} to {run[-1].name}")
    return listed(told)
