"""How fast each pass was driven, and how much of a finding a difference in speed may explain.

Speed is absolute if a log covers every pass over a road, otherwise relative to the reference pass, from the slope of
the alignment. The aligned stretch is the same in every pass. If it is longer or shorter after the change by the logs,
they are wrong on one side and not used. Only time spent driving counts, so that a stop is not slow driving.
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
from towertap.compare.road.alignment import Array
from towertap.compare.road.places import Places
from towertap.compare.stats.contrast import ALPHA, Contrast, contrast
from towertap.compare.study import Road
from towertap.words.numbers import change_percent

MOST_EXPONENT = 2.0
"""A level goes as speed to some power. ISO 8608's roads of waviness 2 give any linear car 0.5, rougher long waves 1;
edges and resonances give more: common practice takes 1 to 2."""
MATTERS = 0.25
"""There is a caution if speed alone may explain more than this share of the margin, on logarithms."""
AGREES = 0.03
"""The logs' metres of the same road may differ this much between the sides: the alignment is within half a second in
95 % of cells, which is 2.5 % of a road of 20 s."""
HALF = 0.5
"""Speed could be the cause of a change if it may explain more than this share of it."""


@dataclass(frozen=True)
class PassSpeed:
    """One pass: its mean `speed` (km/h by a log, otherwise relative to the reference pass) and the metres driven."""

    capture: str
    side: Side
    speed: float
    driven_m: float | None
    log: str | None
    offset: LogOffset | None


@dataclass(frozen=True)
class RoadSpeed:
    """One road: the speeds of its passes, the contrast of the sides, and what that may explain of a finding.

    `contrast` compares the sides' geometric mean speeds, in `unit`. `shared_m` is the length of the road that every
    pass covers, None without logs. `explains` is the ratio after / before that the difference alone may cause.
    `contradiction` is the caution if logs were not used because they contradict the alignment.
    """

    road: str
    source: Literal["log", "alignment"]
    unit: str
    passes: tuple[PassSpeed, ...]
    contrast: Contrast
    shared_m: float | None
    explains: float
    caution: Caution | None
    contradiction: Caution | None


def road_speed(road: Road, margin: float, findings: Sequence[Finding]) -> RoadSpeed | None:
    """The speeds over one road; None if they are unknown or a pass stood still.

    `margin` is the change that counts, as a fraction; `findings` are those of all roads.
    """
    by_log = all(drive.speed for drive in road.passes)
    if not (by_log or road.aligned):
        return None
    after = road.design.after
    way, seconds = _ways(road, by_log)
    contradiction = None
    if by_log and road.aligned and np.all(way > 0):
        metres = contrast(way[~after], way[after], margin, road.design.block)
        if contradiction := _contradiction(road.name, metres):
            by_log = False
            way, seconds = _ways(road, by_log)
    speeds = way / seconds * (3.6 if by_log else 1.0)
    if not np.all(speeds > 0):
        return None
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
        shared_m=float(np.mean(way)) if by_log and road.aligned else None,
        explains=explains,
        caution=_caution(
            road.name, sides.ratio, explains, [finding for finding in findings if finding.road == road.name]
        ),
        contradiction=contradiction,
    )


def _ways(road: Road, by_log: bool) -> Array:
    """Two rows (2, passes): distance over the shared road, and driving time in s; see `_way`."""
    return np.array([_way(drive, road.aligned, number, by_log) for number, drive in enumerate(road.passes)]).T


def _way(drive: Pass, places: Places | None, number: int, by_log: bool) -> tuple[float, float]:
    """Distance of a pass over the shared road, in metres or in seconds of the reference, and its driving time in s."""
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
    name, offset = (log.name, log.offset) if log else (None, None)
    return PassSpeed(drive.name, drive.side, speed, driven_m(drive), name, offset)


def faster(ratio: float) -> str:
    """A ratio of speeds in words: '3.1 % faster'."""
    return f"{abs(ratio - 1) * 100:.1f} % {'faster' if ratio >= 1 else 'slower'}"


def _contradiction(road: str, metres: Contrast) -> Caution | None:
    """A caution if the length of the same road by the logs, `metres`, differs between the sides."""
    if abs(math.log(metres.ratio)) <= math.log1p(AGREES) or not (metres.p_difference or 0) < ALPHA:
        return None
    difference = f"{abs(metres.ratio - 1) * 100:.1f} % {'longer' if metres.ratio >= 1 else 'shorter'}"
    return Caution(
        f"By the speed logs, the same stretch of {road} is {difference} after the change: they are wrong on one side. "
        "Its speed is taken from the alignment.",
        Weight.OVERTURNS,
        "Check the unit and the scale of the speed logs before and after",
    )


def _caution(road: str, ratio: float, explains: float, findings: Sequence[Finding]) -> Caution | None:
    """A caution if the speeds differ by enough to matter; it overturns if that may be half of a change."""
    size = abs(math.log(explains))
    if not any(size > MATTERS * math.log1p(finding.margin) for finding in findings):
        return None
    deciding = [finding for finding in findings if finding.primary is not False]
    overturns = any(size > HALF * abs(math.log(finding.ratio)) for finding in deciding)
    return Caution(
        f"Driven {faster(ratio)} on {road} after the change; that alone may add up to {change_percent(explains)}.",
        Weight.OVERTURNS if overturns else Weight.WEAKENS,
        "Drive every road at the planned speed, by the same instrument",
    )
