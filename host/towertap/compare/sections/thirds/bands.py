"""Where in frequency a change lies: every third-octave and wide band of a road, after against before.

This locates a change and decides nothing; verdicts come from the findings alone. Intervals are joint over all bands of
a road at 95 %, so a band whose interval excludes 1 can be singled out although many bands were looked at.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from towertap.bench.sharing import NOT_JUDGED_SHARE, Judged, Share
from towertap.compare.drives.model import Pass, Side, metric_of
from towertap.compare.road.places import Places
from towertap.compare.stats.joint import joint_intervals
from towertap.compare.study import Road
from towertap.signals.bands import BANDS, NOMINAL, edges_hz
from towertap.signals.metrics import METRICS, THIRDS
from towertap.words.numbers import growth
from towertap.words.phrases import counted

Array = NDArray[np.float64]

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

    `ratio` = after / before; `interval` is joint over all bands of the road, None if there is none. `shown` is the sign
    of a change that the interval shows, 0 if it contains 1, is missing, or the band is not judged. `noise_share` is the
    largest share of sensor noise in the power of any pass; `judged` says what follows from it: a band is not judged if
    noise is most of the power on both sides (None: unknown). `beyond` says why the mounting does not carry the band
    (None: it does, or unknown). `edges_hz` are the −3 dB frequencies.
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

    @property
    def size(self) -> float:
        """The magnitude of the change, |ln ratio|."""
        return abs(math.log(self.ratio))


@dataclass(frozen=True)
class RoadBands:
    """The third-octaves (`thirds`) and wide bands (`wide`) of one road, each with rising frequency.

    `basis` says what levels are taken over, `places` how many places that is (0 for whole passes). `passes` are the
    counts before and after, `left_out` bands in which some pass has no power, `words` is part of a sentence.
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
    """Compare every band that all passes over a road carry, after against before; None if there is none.

    Levels are over all places that every pass covers, rough or not, so that all bands use the same road. If the road is
    not cut into places, they are over whole passes.
    """
    passes = [*road.of("before"), *road.of("after")]
    split = len(road.of("before"))
    carried = [name for name in _EDGES_HZ if all(name in drive.kept for drive in passes)]
    if not any(name in THIRDS for name in carried):
        return None
    levels = {name: _levels(passes, name, road.aligned) for name in carried}
    positive = {name: band_levels for name, band_levels in levels.items() if np.all(band_levels > 0)}
    logs = np.log(np.column_stack(list(positive.values()))) if positive else np.empty((len(passes), 0))
    ratios, lows, highs = joint_intervals(logs[:split], logs[split:], road.design.block)
    changes = {
        name: _change(passes, name, band_levels, split, ratio, (low, high))
        for (name, band_levels), ratio, low, high in zip(positive.items(), ratios, lows, highs, strict=True)
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
    """R.m.s. of each pass (n,) over the shared places, or over the whole pass."""
    if places is None:
        return np.array([metric_of(metric).of_all(drive.kept[metric]) for drive in passes])
    levels = places.over(metric, np.ones(len(places.edges_s), bool))
    return np.array([levels[drive.name] for drive in passes])


def _change(
    passes: Sequence[Pass], metric: str, levels: Array, split: int, ratio: float, ends: tuple[float, float]
) -> BandChange:
    before, after = (float(np.exp(np.log(side).mean())) for side in (levels[:split], levels[split:]))
    interval = None if math.isnan(ends[0]) else (float(ends[0]), float(ends[1]))
    shares: dict[Side, list[Share]] = defaultdict(list)
    for drive, level in zip(passes, levels, strict=True):
        if metric in drive.noise:
            shares[drive.side].append(drive.noise[metric].over(level))
    largest = [max(side, key=lambda share: share.share) for side in shares.values()]
    noise = max(largest, key=lambda share: share.share, default=None)
    judged = noise.judged if noise else None
    if judged == "not judged" and min(share.share for share in largest) <= NOT_JUDGED_SHARE:
        judged = "marked"  # noise on one side only pulls the ratio towards 1; it cannot cause a change
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
    """Where the change of a road lies, as part of a sentence: its largest change, and how many others."""
    if not any(band.interval for band in (*thirds, *wide)):
        reason = "a side has one pass" if min(passes) < 2 else "the passes of a side are copies of one another"
        return f"{road}: nothing can be said about any band, because {reason}"
    runs = sorted(_runs(thirds), key=lambda run: max(band.size for band in run), reverse=True)
    changes = runs or [[band] for band in wide if band.shown]
    if not changes:
        return f"{road}: no band shows a change"
    more = f", and in {counted(len(changes) - 1, 'other range')}" if len(changes) > 1 else ""
    return f"{road}: {_run(changes[0])}{more}"


def _runs(thirds: Sequence[BandChange]) -> list[list[BandChange]]:
    """Neighbouring third-octaves that show a change in the same direction."""
    order = list(THIRDS)
    steps = ((order.index(band.metric) - index, band) for index, band in enumerate(thirds))  # neighbours share a step
    runs = groupby(steps, key=lambda step: (step[1].shown, step[0]))
    return [[band for _, band in run] for (shown, _), run in runs if shown]


def _run(run: Sequence[BandChange]) -> str:
    """A run of third-octaves: the one that changed most, and the range."""
    most = max(run, key=lambda band: band.size)
    size = f"{growth(most.ratio, most.interval)} at {most.name}"
    return size if len(run) == 1 else f"{size} (changed throughout {run[0].name.removesuffix(' Hz')} to {run[-1].name})"
