"""How fast each pass was driven, and how much a difference of it may make of a finding.

Speed is absolute where a log covers every pass over a road, else relative to the reference pass, by the slope of the
alignment; in seconds of driving, so that a stand is no slow driving.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from towertap.capture.speed_log import LogOffset
from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.model import CELL_S, Pass, Side
from towertap.compare.drives.speed_join import driven_m
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import Places
from towertap.compare.stats.contrast import Contrast, contrast
from towertap.compare.study import Road
from towertap.words.numbers import change_percent

MOST_EXPONENT = 2.0
"""A level goes as speed to some power. ISO 8608's roads of waviness 2 give any linear car 0.5, rougher long waves 1;
edges and resonances more: common practice takes 1 to 2."""
MATTERS = 0.25
"""Speed is cautioned of where it alone may make more than this part of the margin, on logarithms."""
HALF = 0.5
"""And could be the cause of a change where it may make more than this part of that."""


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
class RoadSpeed:
    """One road: the speeds of its passes, the sides against each other, and what that may make of a finding.

    `contrast` holds the sides' mean speeds in `unit` against each other, as geometric means over passes; `shared_m` is
    the length of the road that every pass covers, None where no log says. `explains` is the ratio after / before that
    the difference alone may make.
    """

    road: str
    source: Literal["log", "alignment"]
    unit: str
    passes: tuple[PassSpeed, ...]
    contrast: Contrast
    shared_m: float | None
    explains: float
    caution: Caution | None


def road_speed(road: Road, margin: float, findings: Sequence[Finding]) -> RoadSpeed | None:
    """What there is to say of the speed over one road; None where nobody knows it, or a pass stood still.

    `margin` is the change that counts, as a fraction, `findings` are those of all roads.
    """
    by_log = all(drive.speed for drive in road.passes)
    if not (by_log or road.aligned):
        return None
    ways = [_way(drive, road.aligned, number, by_log) for number, drive in enumerate(road.passes)]
    speeds = np.array([way / seconds for way, seconds in ways]) * (3.6 if by_log else 1.0)
    if not np.all(speeds > 0):
        return None
    after = road.design.after
    sides = contrast(speeds[~after], speeds[after], margin, road.design.block)
    explains = sides.ratio**MOST_EXPONENT
    return RoadSpeed(
        road=road.name,
        source="log" if by_log else "alignment",
        unit="km/h" if by_log else "times the reference pass",
        passes=tuple(
            _pass_speed(drive, float(speed), by_log) for drive, speed in zip(road.passes, speeds, strict=True)
        ),
        contrast=sides,
        shared_m=float(np.mean([way for way, _ in ways])) if by_log and road.aligned else None,
        explains=explains,
        caution=_caution(road.name, sides.ratio, explains, [of for of in findings if of.road == road.name]),
    )


def _way(drive: Pass, places: Places | None, number: int, by_log: bool) -> tuple[float, float]:
    """How far a pass drove over what all share, in metres or in seconds of the reference, and in how many seconds."""
    starts_s = drive.cells["start_s"]
    if places is None:
        return driven_m(drive) or math.nan, CELL_S * len(starts_s)
    times_s = np.column_stack([starts_s, starts_s + CELL_S])
    bounds_s, driving_s = places.bounds_s[number], drive.driving_s(times_s)
    shared_s = places.edges_s[[0, -1], [0, 1]]
    in_pass_s = np.interp(shared_s, bounds_s.ravel(), driving_s.ravel())
    if by_log and drive.speed:
        shared_s = np.interp(in_pass_s, driving_s.ravel(), drive.speed.way_m(times_s.ravel()))
    return float(np.diff(shared_s)[0]), float(np.diff(in_pass_s)[0])


def _pass_speed(drive: Pass, speed: float, by_log: bool) -> PassSpeed:
    log = drive.speed if by_log else None
    return PassSpeed(
        drive.name, drive.side, speed, driven_m(drive), log.name if log else None, log.offset if log else None
    )


def faster(ratio: float) -> str:
    """A ratio of speeds as people say it: '3.1 % faster'."""
    return f"{abs(ratio - 1) * 100:.1f} % {'faster' if ratio >= 1 else 'slower'}"


def _caution(road: str, ratio: float, explains: float, findings: Sequence[Finding]) -> Caution | None:
    """Where the sides' speeds differ by more than matters; it overturns where that may be half of a change."""
    alone = abs(math.log(explains))
    if not any(alone > MATTERS * math.log1p(finding.margin) for finding in findings):
        return None
    overturns = any(alone > HALF * abs(math.log(of.ratio)) for of in findings if of.primary is not False)
    return Caution(
        f"Driven {faster(ratio)} on {road} after the change; that alone may add up to {change_percent(explains)}.",
        Weight.OVERTURNS if overturns else Weight.WEAKENS,
        "Drive every road at the speed planned, by the same instrument",
    )
