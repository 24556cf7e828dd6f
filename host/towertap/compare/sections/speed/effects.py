"""How fast each pass was driven, how much that may make of a finding, and the finding over places driven alike.

Speed is absolute where a log covers every pass over a road, else relative to the reference pass, by the slope of the
alignment. A place of about a second is too short for either to tell its speed well, so both are taken over a few, in
seconds of driving: a stand is no slow driving.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from towertap.capture.speed_log import LogOffset
from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.model import CELL_S, Pass, Side
from towertap.compare.drives.speed_join import driven_m
from towertap.compare.findings.model import Finding
from towertap.compare.stats.exponent import Exponent, exponent
from towertap.compare.stats.ratio import Contrast, contrast
from towertap.compare.study import Road, Study
from towertap.words.numbers import change_percent
from towertap.words.phrases import listed

Array = NDArray[np.float64]

AROUND_LOG_S, AROUND_ALIGNMENT_S = 2.0, 3.0
"""Speed at a place is the mean over so much time before and after its middle. A receiver's 0.1 m/s at 1 Hz becomes
half as much; an alignment good to 0.03 s tells the ratio of speeds to about 1 %."""
ALIKE = 0.03
"""Places where the sides' mean speeds differ by less count as driven alike: within the ±3 km/h that the drive procedure
asks for at 40 to 100 km/h, and with a level as the speed squared no more than 6 %."""
FEWEST_ALIKE = 5
ASSUMED = (0.5, 2.0)
"""Exponents taken where the passes do not tell. ISO 8608's roads of waviness 2 give any linear car 0.5, rougher long
waves 1; edges and resonances more: common practice takes 1 to 2."""
WIDEST = 2.0
"""An exponent whose interval is wider than this says less than ASSUMED."""
MATTERS = 0.25
"""Speed is cautioned of where it alone may make more than this part of the margin, on logarithms."""
HALF = 0.5
"""And could be the cause of a change where it may make more than this part of that."""

Source = Literal["log", "alignment"]


@dataclass(frozen=True)
class PassSpeed:
    """One pass: its mean `speed` (km/h by a log, else times the reference pass's) and the metres that it drove."""

    capture: str
    side: Side
    speed: float
    driven_m: float | None
    log: str | None
    offset: LogOffset | None


@dataclass(frozen=True)
class SpeedEffect:
    """What speed has to do with one finding.

    `exponent` and `interval`: the level goes as speed to this power, within the road; `seen` is False where the
    passes do not tell and `interval` is common practice's. `explains` is the ratio after / before that the difference
    in speed alone would make, at the interval's end that makes most of it. `alike` of `places` are the places that both
    sides drove at much the same speed, `matched` the finding over them alone (None where they are too few or the
    finding rests on whole passes). `kept_m` is the length of the road behind the finding, None where no log says.
    """

    metric: str
    exponent: float | None
    interval: tuple[float, float]
    seen: bool
    explains: float
    matters: bool
    places: int
    alike: int
    matched: Contrast | None
    kept_m: float | None


@dataclass(frozen=True)
class RoadSpeed:
    """One road: the speeds of its passes, the sides against each other, and what that has to do with each finding.

    `contrast` holds the sides' mean speeds in `unit` against each other, as geometric means over passes. `place_m` is
    the mean length of a place, `shared_m` of the road that every pass covers.
    """

    road: str
    source: Source
    unit: str
    passes: tuple[PassSpeed, ...]
    contrast: Contrast
    place_m: float | None
    shared_m: float | None
    effects: tuple[SpeedEffect, ...]
    caution: Caution | None


@dataclass(frozen=True, eq=False)
class Driven:
    """Speeds over one road: `means` (passes,) over what all share, `at` (passes, places), `metres` (places,) or None.

    `metres` is the mean length of each place over the passes, by the logs.
    """

    source: Source
    passes: tuple[Pass, ...]
    means: Array
    at: Array
    metres: Array | None


def driven(road: Road) -> Driven | None:
    """The speed of every pass over a road; None where neither a log nor an alignment tells it."""
    by_log = all(drive.speed for drive in road.passes)
    if road.aligned is None:
        return _by_log_alone(road.passes) if by_log else None
    places, at, means, metres = road.aligned, [], [], []
    around_s = AROUND_LOG_S if by_log else AROUND_ALIGNMENT_S
    for number, drive in enumerate(places.passes):
        bounds_s, starts_s = places.bounds_s(number), drive.cells["start_s"]
        times_s = np.column_stack([starts_s, starts_s + CELL_S])
        by_cell = bounds_s
        if by_log and drive.speed:
            by_cell = drive.speed.way_m(times_s.ravel()).reshape(-1, 2)
        driving_s = drive.driving_s(times_s)
        way = _between(driving_s.ravel(), by_cell.ravel())
        edges_s = np.interp(places.edges_s, bounds_s.ravel(), driving_s.ravel())
        low, high = (
            np.clip(edges_s.mean(axis=1) + by, driving_s[0, 0], driving_s[-1, 1]) for by in (-around_s, around_s)
        )
        shared_s = np.array([edges_s[0, 0], edges_s[-1, 1]])
        if by_log:
            metres.append(way(edges_s[:, 1]) - way(edges_s[:, 0]))
        scale = 3.6 if by_log else 1.0
        at.append(scale * (way(high) - way(low)) / (high - low))
        means.append(scale * float(np.diff(way(shared_s))[0] / np.diff(shared_s)[0]))
    return Driven(
        "log" if by_log else "alignment",
        places.passes,
        np.array(means),
        np.array(at),
        np.mean(metres, axis=0) if metres else None,
    )


def _between(times: Array, values: Array) -> Callable[[Array], Array]:
    """The function that has `values` (n,) at `times` (n,), and straight lines between."""

    def at(wanted: Array) -> Array:
        return np.interp(wanted, times, values)

    return at


def _by_log_alone(passes: tuple[Pass, ...]) -> Driven:
    means = np.array([3.6 * (driven_m(drive) or math.nan) / (CELL_S * drive.n_cells) for drive in passes])
    return Driven("log", passes, means, np.empty((len(passes), 0)), None)


def road_speed(study: Study, road: Road, findings: Sequence[Finding]) -> RoadSpeed | None:
    """What there is to say of the speed over one road; None where nobody knows it, or a pass stood still."""
    speeds = driven(road)
    if speeds is None or not (np.all(speeds.means > 0) and np.all(speeds.at > 0)):
        return None
    after = np.array([drive.side == "after" for drive in speeds.passes])
    sides = contrast(speeds.means[~after], speeds.means[after], study.margin, road.block)
    effects = tuple(_effect(speeds, road, sides, finding) for finding in findings)
    return RoadSpeed(
        road=road.name,
        source=speeds.source,
        unit="km/h" if speeds.source == "log" else "times the reference pass",
        passes=tuple(
            _pass_speed(drive, float(mean), speeds.source)
            for drive, mean in zip(speeds.passes, speeds.means, strict=True)
        ),
        contrast=sides,
        place_m=None if speeds.metres is None else float(speeds.metres.mean()),
        shared_m=None if speeds.metres is None else float(speeds.metres.sum()),
        effects=effects,
        caution=_caution(road.name, sides, effects, findings, study.labels),
    )


def _pass_speed(drive: Pass, mean: float, source: Source) -> PassSpeed:
    log = drive.speed if source == "log" else None
    return PassSpeed(
        drive.name, drive.side, mean, driven_m(drive), log.name if log else None, log.offset if log else None
    )


def _effect(speeds: Driven, road: Road, sides: Contrast, finding: Finding) -> SpeedEffect:
    after, rough = road.design.after, road.rough[finding.metric]
    if rough.warning or road.places is None:
        by_name = {drive.capture: drive.value for drive in (*finding.before_values, *finding.after_values)}
        whole = np.array([[by_name[drive.name]] for drive in speeds.passes])
        seen = exponent(np.log(speeds.means[:, None]), np.log(whole), after)
        return _speed_effect(finding, sides, seen, None, None, 0, 0)
    levels, at = np.array([rough.at[drive.name] for drive in speeds.passes]), speeds.at[:, rough.chosen]
    of_places = at if speeds.source == "log" else np.broadcast_to(speeds.means[:, None], levels.shape)
    seen = exponent(np.log(of_places), np.log(levels), after)
    step = np.log(at)[after].mean(axis=0) - np.log(at)[~after].mean(axis=0)
    alike = np.abs(step) <= math.log1p(ALIKE)
    matched = None
    if alike.sum() >= FEWEST_ALIKE:
        over_alike = road.places.over(finding.metric, rough.among(alike))
        over = np.array([over_alike[drive.name] for drive in speeds.passes])
        matched = contrast(over[~after], over[after], finding.margin, road.block)
    kept_m = None if speeds.metres is None else float(speeds.metres[rough.chosen].sum())
    return _speed_effect(finding, sides, seen, matched, kept_m, int(rough.chosen.sum()), int(alike.sum()))


def _speed_effect(
    finding: Finding,
    sides: Contrast,
    seen: Exponent | None,
    matched: Contrast | None,
    kept_m: float | None,
    places: int,
    alike: int,
) -> SpeedEffect:
    tells = seen is not None and seen.interval[1] - seen.interval[0] <= WIDEST
    interval = seen.interval if seen is not None and tells else ASSUMED
    most = max(interval, key=abs) * math.log(sides.ratio)
    return SpeedEffect(
        metric=finding.metric,
        exponent=seen.value if seen else None,
        interval=interval,
        seen=tells,
        explains=math.exp(most),
        matters=abs(most) > MATTERS * math.log1p(finding.margin),
        places=places,
        alike=alike,
        matched=matched,
        kept_m=kept_m,
    )


def faster(ratio: float) -> str:
    """A ratio of speeds as people say it: '3.1 % faster'."""
    return f"{abs(ratio - 1) * 100:.1f} % {'faster' if ratio >= 1 else 'slower'}"


def _caution(
    road: str, sides: Contrast, effects: Sequence[SpeedEffect], findings: Sequence[Finding], labels: Mapping[str, str]
) -> Caution | None:
    """Where the sides' speeds differ by more than matters in any metric; it overturns where that is half the change."""
    sizes: dict[str, list[str]] = {}
    weight = Weight.WEAKENS
    for effect, finding in zip(effects, findings, strict=True):
        if effect.matters:
            sizes.setdefault(change_percent(effect.explains), []).append(labels[effect.metric])
            if abs(math.log(effect.explains)) > HALF * abs(math.log(finding.ratio)) and finding.primary is not False:
                weight = Weight.OVERTURNS
    if not sizes:
        return None
    alone = "; ".join(
        f"up to {size} to {'every metric' if len(metrics) == len(labels) else listed(metrics)}"
        for size, metrics in sizes.items()
    )
    return Caution(
        f"Driven {faster(sides.ratio)} on {road} after the change; that alone may add {alone}.",
        weight,
        "Drive every road at the speed planned, by the same instrument",
    )


def speeds_of(study: Study, findings: Sequence[Finding]) -> tuple[RoadSpeed, ...]:
    """What there is to say of the speed over each rough road."""
    roads = (
        road_speed(study, road, [finding for finding in findings if finding.road == road.name]) for road in study.roads
    )
    return tuple(road for road in roads if road is not None)
