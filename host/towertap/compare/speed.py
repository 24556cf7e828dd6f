"""How fast each pass was driven, how much that may make of a finding, and the finding over places driven alike.

Speed is absolute where a log covers every pass over a road, else relative to the reference pass, by the slope of the
alignment. A place of about a second is too short for either to tell its speed well, so both are taken over a few.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from towertap.capture.speed_log import LogOffset
from towertap.compare.gate import is_rough
from towertap.compare.model import Contrast, Drives, Finding, Pass, Side
from towertap.compare.phrases import listed
from towertap.compare.places import Places
from towertap.compare.sensitivity import Exponent, exponent
from towertap.compare.speed_join import driven_m
from towertap.compare.statistics import contrast, energy_mean

Array = NDArray[np.float64]

AROUND_LOG_S, AROUND_ALIGNMENT_S = 2.0, 3.0
"""Speed at a place is the mean over so much time before and after its middle. A receiver's 0.1 m/s at 1 Hz becomes
half as much; an alignment good to 0.03 s tells the ratio of speeds to about 1 %."""
ALIKE = 0.03
"""Places where the sides' mean speeds differ by less count as driven alike: within the ±3 km/h that the drive procedure
asks for at 40 to 100 km/h, and with a figure as the speed squared no more than 6 %."""
FEWEST_ALIKE = 5
ASSUMED = (0.5, 2.0)
"""Exponents taken where the passes do not tell. ISO 8608's roads of waviness 2 give any linear car 0.5, rougher long
waves 1; edges and resonances more: common practice takes 1 to 2."""
WIDEST = 2.0
"""An exponent whose interval is wider than this says less than ASSUMED."""
MATTERS = 0.25
"""Warn where speed alone may make more than this part of the margin, on logarithms."""

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

    `exponent` and `interval`: the figure goes as speed to this power, within the road; `seen` is False where the
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
    words: str
    warning: str | None


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


def driven(passes: Sequence[Pass], places: Places | None) -> Driven | None:
    """The speed of every pass over a road; None where neither a log nor an alignment tells it."""
    by_log = all(one.speed for one in passes)
    aligned = places is not None and places.alignment.warning is None
    if not aligned:
        if not by_log:
            return None
        means = np.array([3.6 * (driven_m(one) or math.nan) / (0.1 * len(one.cells)) for one in passes])
        return Driven("log", tuple(passes), means, np.empty((len(passes), 0)), None)
    assert places is not None
    speeds: list[Array] = []
    mean_speeds: list[float] = []
    metres: list[Array] = []
    for number, one in enumerate(places.passes):
        bounds_s = places.bounds_s(number).ravel()
        starts_s = one.cells["start_s"].to_numpy(float)
        times_s = np.column_stack([starts_s, starts_s + 0.1]).ravel()
        edges_s = np.interp(places.edges_s, bounds_s, times_s)
        around_s = AROUND_LOG_S if by_log else AROUND_ALIGNMENT_S
        low, high = (np.clip(edges_s.mean(axis=1) + by, times_s[0], times_s[-1]) for by in (-around_s, around_s))
        shared_s = np.array([edges_s[0, 0], edges_s[-1, 1]])
        way: Callable[[Array], Array] = partial(places.place_s, number)
        scale = 3.6 if by_log else 1.0
        if by_log and one.speed:
            way = one.speed.way_m
            metres.append(way(edges_s[:, 1]) - way(edges_s[:, 0]))
        speeds.append(scale * (way(high) - way(low)) / (high - low))
        mean_speeds.append(scale * float(np.diff(way(shared_s))[0] / np.diff(shared_s)[0]))
    return Driven(
        "log" if by_log else "alignment",
        places.passes,
        np.array(mean_speeds),
        np.array(speeds),
        np.mean(metres, axis=0) if metres else None,
    )


def road_speed(
    drives: Drives, road: str, places: Places | None, findings: Sequence[Finding], gates: dict[str, float]
) -> RoadSpeed | None:
    """What there is to say of the speed over one road; None where nobody knows it, or a pass stood still."""
    told = driven(drives.of(road), places)
    if told is None or not (np.all(told.means > 0) and np.all(told.at > 0)):
        return None
    after = np.array([one.side == "after" for one in told.passes])
    held = contrast(told.means[~after], told.means[after], findings[0].margin, findings[0].blocks)
    effects = tuple(_effect(told, after, places, held, one, gates[one.metric]) for one in findings)
    labels = {one.metric: one.label for one in findings}
    words = _words(road, told, held, effects, labels)
    return RoadSpeed(
        road=road,
        source=told.source,
        unit="km/h" if told.source == "log" else "times the reference pass",
        passes=tuple(
            _pass_speed(one, float(mean), told.source) for one, mean in zip(told.passes, told.means, strict=True)
        ),
        contrast=held,
        place_m=None if told.metres is None else float(told.metres.mean()),
        shared_m=None if told.metres is None else float(told.metres.sum()),
        effects=effects,
        words=words,
        warning=_warning(road, held, effects, labels),
    )


def _pass_speed(one: Pass, mean: float, source: Source) -> PassSpeed:
    log = one.speed if source == "log" else None
    return PassSpeed(one.name, one.side, mean, driven_m(one), log.name if log else None, log.offset if log else None)


def _effect(
    told: Driven, after: NDArray[np.bool_], places: Places | None, held: Contrast, finding: Finding, gate: float
) -> SpeedEffect:
    by_place = finding.basis == "rough places" and places is not None
    if by_place and places is not None:
        figures = places.figures(finding.metric)
        rough = is_rough(figures, gate)
        figures, speeds = figures[:, rough], told.at[:, rough]
        seen = exponent(
            np.log(speeds if told.source == "log" else np.broadcast_to(told.means[:, None], figures.shape)),
            np.log(figures),
            after,
        )
        step = np.log(speeds)[after].mean(axis=0) - np.log(speeds)[~after].mean(axis=0)
        alike = np.abs(step) <= math.log1p(ALIKE)
        matched = None
        if alike.sum() >= FEWEST_ALIKE:
            over = [energy_mean(row[alike]) for row in figures]
            matched = contrast(np.array(over)[~after], np.array(over)[after], finding.margin, finding.blocks)
        kept_m = None if told.metres is None else float(told.metres[rough].sum())
        count, same = int(rough.sum()), int(alike.sum())
    else:
        by_name = {one.capture: one.figure for one in (*finding.before_values, *finding.after_values)}
        whole = np.array([[by_name[one.name]] for one in told.passes])
        seen = exponent(np.log(told.means[:, None]), np.log(whole), after)
        matched, kept_m, count, same = None, None, 0, 0
    return _told_effect(finding, held, seen, matched, kept_m, count, same)


def _told_effect(
    finding: Finding,
    held: Contrast,
    seen: Exponent | None,
    matched: Contrast | None,
    kept_m: float | None,
    places: int,
    alike: int,
) -> SpeedEffect:
    tells = seen is not None and seen.interval[1] - seen.interval[0] <= WIDEST
    interval = seen.interval if seen is not None and tells else ASSUMED
    most = max(interval, key=abs) * math.log(held.ratio)
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


def _words(road: str, told: Driven, held: Contrast, effects: Sequence[SpeedEffect], labels: Mapping[str, str]) -> str:
    """What was driven, as a sentence or two."""
    how = (
        f"{held.before:.1f} km/h before and {held.after:.1f} km/h after, by the speed logs"
        if told.source == "log"
        else f"{faster(held.ratio)} after than before, by how the passes align (no speed log covers them all)"
    )
    between = (
        f" (ratio {held.ratio:.3f}, 95 % interval {held.interval[0]:.3f} to {held.interval[1]:.3f})"
        if held.interval
        else f" (ratio {held.ratio:.3f})"
    )
    length = (
        f" Every pass covers {told.metres.sum():.0f} m of it, in places of {told.metres.mean():.1f} m."
        if told.metres is not None and told.metres.size
        else ""
    )
    lines = [_sensitivity(one, labels[one.metric]) for one in effects]
    return (
        f"{road} was driven at {how}{between}.{length} {' '.join(lines)}"
        if told.source == "log"
        else f"{road} was driven {how}{between}.{length} {' '.join(lines)}"
    )


def _sensitivity(one: SpeedEffect, label: str) -> str:
    name = f"{label[:1].upper()}{label[1:]}"
    if one.exponent is None:
        return f"{name}: the speeds differ too little, or the passes are too few, to see what speed does."
    told = f"{name} went as speed to the power {one.exponent:.1f} within these passes"
    if one.seen:
        return f"{told} (95 % interval {one.interval[0]:.1f} to {one.interval[1]:.1f})."
    return f"{told}, too uncertain to be used."


def faster(ratio: float) -> str:
    """A ratio of speeds as people say it: '3.1 % faster'."""
    return f"{abs(ratio - 1) * 100:.1f} % {'faster' if ratio >= 1 else 'slower'}"


def _warning(road: str, held: Contrast, effects: Sequence[SpeedEffect], labels: Mapping[str, str]) -> str | None:
    """A sentence where the sides' speeds differ by more than matters in any metric."""
    made: dict[str, list[str]] = {}
    for one in (one for one in effects if one.matters):
        why = (
            f"with the exponent of {one.exponent:.1f} ({one.interval[0]:.1f} to {one.interval[1]:.1f}) of these passes"
            if one.seen
            else f"with an exponent of up to {max(one.interval):g}, as common practice has it,"
        )
        size = f"up to {abs(one.explains - 1) * 100:.0f} % {'more' if one.explains > 1 else 'less'}"
        made.setdefault(f"{why} that alone makes {size}", []).append(labels[one.metric])
    if not made:
        return None
    told = [f"{how} {listed(metrics)}" for how, metrics in made.items()]
    low, high = held.interval or (math.nan, math.nan)
    shown = "" if low > 1 or high < 1 else ", which may be chance and is in these passes all the same"
    return f"{road} was driven {faster(held.ratio)} after the change{shown}: {'; '.join(told)}"


def speeds_of(
    drives: Drives, places: dict[str, Places], findings: Iterable[Finding], gates: dict[str, float]
) -> tuple[RoadSpeed, ...]:
    """What there is to say of the speed over each road of the findings, in their order."""
    by_road: dict[str, list[Finding]] = {}
    for one in findings:
        by_road.setdefault(one.road, []).append(one)
    told = (road_speed(drives, road, places.get(road), ones, gates) for road, ones in by_road.items())
    return tuple(one for one in told if one is not None)
