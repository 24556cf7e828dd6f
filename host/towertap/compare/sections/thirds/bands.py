"""Where in frequency a change lies: every third-octave and wide band of a road, after against before, held together.

This locates a change and decides nothing: the verdicts are the findings' alone. Every band of a road is looked at with
intervals that hold all together at 95 %, so that one that clears 1 may be pointed at although so many were looked at.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from towertap.bench.sharing import NOT_JUDGED_SHARE, Judged, Share
from towertap.compare.drives.model import Pass, Side, metric_of
from towertap.compare.findings.instrument import share_at
from towertap.compare.road.places import Places
from towertap.compare.stats.joint import joint_intervals
from towertap.compare.study import Road
from towertap.signals.bands import BANDS, NOMINAL, edges_hz
from towertap.signals.metrics import METRICS, THIRDS
from towertap.words.phrases import listed

Array = NDArray[np.float64]

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


def where_the_change_is(road: Road) -> RoadBands | None:
    """Hold every band that all passes over a road carry against itself, before and after; None where there is none.

    Levels are over all places that every pass covers, rough or not, so that no band picks its own road; over whole
    passes where the road is not cut into places.
    """
    passes = [*road.of("before"), *road.of("after")]
    split = len(road.of("before"))
    carried = [name for name in _EDGES_HZ if all(name in drive.kept for drive in passes)]
    if not any(name in THIRDS for name in carried):
        return None
    levels = {name: _levels(passes, name, road.aligned) for name in carried}
    positive = {name: of_passes for name, of_passes in levels.items() if np.all(of_passes > 0)}
    logs = np.log(np.column_stack(list(positive.values()))) if positive else np.empty((len(passes), 0))
    ratios, lows, highs = joint_intervals(logs[:split], logs[split:], road.block)
    changes = {
        name: _change(passes, name, of_passes, split, ratio, (low, high))
        for (name, of_passes), ratio, low, high in zip(positive.items(), ratios, lows, highs, strict=True)
    }
    thirds = tuple(band for name, band in changes.items() if name in THIRDS)
    wide = tuple(band for name, band in changes.items() if name not in THIRDS)
    counts = (split, len(passes) - split)
    return RoadBands(
        road=road.name,
        basis="all places that every pass covers" if road.aligned else "whole passes",
        places=road.aligned.alignment.places if road.aligned else 0,
        passes=counts,
        thirds=thirds,
        wide=wide,
        left_out=tuple(_NAMES[name] for name in carried if name not in positive),
        words=describe(road.name, counts, thirds, wide),
    )


def _levels(passes: Sequence[Pass], metric: str, places: Places | None) -> Array:
    """R.m.s. of each pass (n,) over the shared places, or over the whole of it."""
    if places is None:
        return np.array([metric_of(metric).of_all(drive.kept[metric]) for drive in passes])
    over = places.over(metric, np.ones(len(places.edges_s), bool))
    return np.array([over[drive.name] for drive in passes])


def _change(
    passes: Sequence[Pass], metric: str, levels: Array, split: int, ratio: float, ends: tuple[float, float]
) -> BandChange:
    before, after = (float(np.exp(np.log(side).mean())) for side in (levels[:split], levels[split:]))
    interval = None if math.isnan(ends[0]) else (float(ends[0]), float(ends[1]))
    shares: dict[Side, list[Share]] = defaultdict(list)
    for drive, level in zip(passes, levels, strict=True):
        if metric in drive.noise:
            shares[drive.side].append(share_at(drive.noise[metric], level))
    most = [max(side, key=lambda share: share.share) for side in shares.values()]
    noise = max(most, key=lambda share: share.share, default=None)
    judged = noise.judged if noise else None
    if judged == "not judged" and min(share.share for share in most) <= NOT_JUDGED_SHARE:
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
        beyond=next((drive.beyond[metric] for drive in passes if metric in drive.beyond), None),
    )


def describe(road: str, passes: tuple[int, int], thirds: Sequence[BandChange], wide: Sequence[BandChange]) -> str:
    """One sentence on where the change of a road lies, and one on what could not be looked at."""
    if not any(band.interval for band in (*thirds, *wide)):
        few = min(passes) < 2
        why = "a side has one pass" if few else "the passes of a side are copies of one another"
        return f"On {road} no band is told from chance: {why}, so nothing shows how far passes differ by themselves."
    runs = sorted(_runs(thirds), key=_size, reverse=True)
    over = [f"{band.name} × {_ratio(band)}" for band in wide if band.shown]
    if runs:
        ways = dict.fromkeys(run[0].shown for run in runs)
        sentences = "; ".join(
            f"{'higher' if way > 0 else 'lower'} {listed([_run(run) for run in runs if run[0].shown == way])}"
            for way in ways
        )
        sentences = f"{sentences}; nothing is shown elsewhere"
        sentences += f". Over the wide bands: {listed(over)}" if over else ""
    elif over:
        sentences = f"no single third-octave shows a change, but wider bands do: {listed(over)}"
    else:
        sentences = "no band shows a change, which is no evidence that there is none"
    return f"On {road}: {sentences}.{_reservations(thirds)}"


def _size(run: Sequence[BandChange]) -> float:
    return max(abs(math.log(band.ratio)) for band in run)


def _runs(thirds: Sequence[BandChange]) -> list[list[BandChange]]:
    """Neighbouring third-octaves that show a change the same way."""
    order = list(THIRDS)
    runs = []
    for (shown, _), run in groupby(
        ((order.index(band.metric) - i, band) for i, band in enumerate(thirds)), key=lambda at: (at[1].shown, at[0])
    ):
        if shown:
            runs.append([band for _, band in run])
    return runs


def _run(run: Sequence[BandChange]) -> str:
    """A run of third-octaves in words, with the one that changed most."""
    if len(run) == 1:
        return f"at {run[0].name} (× {_ratio(run[0])})"
    most = max(run, key=lambda band: abs(math.log(band.ratio)))
    return f"from {run[0].name.removesuffix(' Hz')} to {run[-1].name} (most at {most.name}: × {_ratio(most)})"


def _ratio(band: BandChange) -> str:
    """Ratio and interval, to a thousandth where a hundredth would not tell an end of it from 1."""
    low, high = band.interval or (math.nan, math.nan)
    places = 3 if 1.0 in (round(low, 2), round(high, 2)) else 2
    return f"{band.ratio:.{places}f}, {low:.{places}f} to {high:.{places}f}"


def _reservations(thirds: Sequence[BandChange]) -> str:
    """What the sensor and the mounting leave of the third-octaves, as further sentences."""
    sentences = {
        "Not judged, for more than half of the power is the sensor's own noise": [
            band for band in thirds if band.judged == "not judged"
        ],
        "Pulled towards 1, for a tenth or more of the power is the sensor's own noise on a side": [
            band for band in thirds if band.judged == "marked"
        ],
        "Beyond what the mounting carries": [band for band in thirds if band.beyond],
    }
    return "".join(f" {words}: {_named(those)}." for words, those in sentences.items() if those)


def _named(thirds: Sequence[BandChange]) -> str:
    """Third-octaves in words, neighbours together."""
    order = list(THIRDS)
    sentences = []
    for _, group in groupby(enumerate(thirds), key=lambda at: order.index(at[1].metric) - at[0]):
        run = [band for _, band in group]
        first = run[0].name
        sentences.append(first if len(run) == 1 else f"{first.removesuffix(' Hz')} to {run[-1].name}")
    return listed(sentences)
