"""Knocks before and after: counts of each side over the stretch of road that all passes share, and their rate ratio.

Counted are knocks that every pass could have heard: at each place the pass with the loudest background sets the level.
Where the passes are aligned the exposure is the road, in seconds of the reference pass, so that a side driven faster
has no more knocks for it; else metres where every pass has a speed log, else minutes. With one pass on a side nothing
is decided, and none heard on either side is no test.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import compress
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from towertap.compare.caution import Caution
from towertap.compare.drives.model import CELL_S, Drives, Pass
from towertap.compare.drives.speed_join import metres_by_cell
from towertap.compare.road.places import Places
from towertap.compare.stats.contrast import ALPHA, holm
from towertap.compare.stats.hearing import RegularSeries, heard_alike, regular_series, whole_pass
from towertap.compare.stats.rates import RateRatio, poisson_interval, rate_ratio
from towertap.compare.study import Road, Study
from towertap.signals.filters import CARRIED
from towertap.signals.knocks import LEAST_TOP_HZ, Knock, Thresholds
from towertap.words.phrases import some

NAME = "knocks"
"""Of the section, and of what it takes from each capture."""
KnockVerdict = Literal["more knocks", "fewer knocks", "undecided"]
Per = Literal["for the same road", "a km by the speed logs", "a minute"]
"""What the counts are held against each other for."""


@dataclass(frozen=True, eq=False)
class KnocksOfCapture:
    """All knocks of a capture in order, by the time from its first sample; and what one had to reach, by piece."""

    knocks: tuple[Knock, ...]
    thresholds: tuple[Thresholds, ...]


@dataclass(frozen=True)
class SideKnocks:
    """One side's knocks on one road: counts by pass, minutes, rate a minute and its exact interval (Garwood 1936).

    `softer` are those by pass that were found and that not every pass could have heard; they are not counted.
    `kilometres` is by the speed logs, None where not every pass over the road has one; `rate_km` and `interval_km` are
    a km of it. Intervals are of 95 % for knocks that
    come by chance alone; with no knock at all they start at 0 and end at the one-sided bound of 95 %. The medians (not
    a number without a knock, or where none rings) are those of all knocks counted.
    """

    part: str
    counts: tuple[int, ...]
    softer: tuple[int, ...]
    minutes: float
    kilometres: float | None
    rate: float
    interval: tuple[float, float]
    rate_km: float | None
    interval_km: tuple[float, float] | None
    peak_ms2: float
    duration_s: float
    ring_hz: float


@dataclass(frozen=True)
class RoadKnocks:
    """What the knocks of one road come to.

    `level_ms2` is the peak from which on every pass could hear a knock (median over places), `louder` how loud the
    background was after over before. `rates` is the ratio of knocks `per` unit of road or time; `series` are knocks
    at a regular spacing, softer ones too, in `series_unit`.
    """

    road: str
    before: SideKnocks
    after: SideKnocks
    level_ms2: float
    louder: float
    rates: RateRatio
    per: Per
    p_holm: float | None
    verdict: KnockVerdict
    series: RegularSeries | None
    series_unit: Literal["m", "s"]

    @property
    def heard(self) -> bool:
        return sum(self.before.counts + self.after.counts) > 0


@dataclass(frozen=True, eq=False)
class PassKnocks:
    """One pass: its knocks (k,) on the road that all share, where they are, and how much of the road that is.

    `place` (k,) numbers the places, `places_s` (k,) is where along the road, `metres` (k,) the same by the speed log
    (None without one); `threshold_ms2` (places,) is the peak that a knock had to reach at each place.
    """

    knocks: list[Knock]
    place: NDArray[np.int64]
    places_s: NDArray[np.float64]
    metres: NDArray[np.float64] | None
    threshold_ms2: NDArray[np.float64]
    minutes: float
    kilometres: float | None
    road_s: float | None


def knocks_of(drive: Pass) -> tuple[Knock, ...] | None:
    """What was heard in a pass, by the time from its capture's first sample; None where the rate is too low."""
    measured = drive.measured.get(NAME)
    return measured.knocks if measured else None


def count_knocks(study: Study) -> tuple[RoadKnocks, ...]:
    """Every road that both sides drove and where all passes could be listened to.

    The smooth road comes last and is in the family of tests like the others. `not_heard` tells of the roads left out.
    """
    counted = [_on_road(study.drives, road) for road in study.every_road if not _unheard(road.passes)]
    adjusted = holm([of_road.rates.p for of_road in counted])
    return tuple(
        replace(of_road, p_holm=p, verdict=_verdict(of_road.rates.ratio, p))
        for of_road, p in zip(counted, adjusted, strict=True)
    )


def _verdict(ratio: float, p: float | None) -> KnockVerdict:
    if p is None or p >= ALPHA:
        return "undecided"
    return "more knocks" if ratio > 1 else "fewer knocks"


def not_heard(drives: Drives) -> Iterator[Caution]:
    """A caution for every road of which a pass could not be listened to."""
    for road in (*drives.rough_roads, drives.smooth):
        if unheard := _unheard(drives.of(road)):
            yield Caution(
                f"Knocks were not counted on {road}: the rate of {some(unheard)} is too low to hear them; record at "
                f"{LEAST_TOP_HZ / CARRIED:g} Hz or more."
            )


def _unheard(passes: Sequence[Pass]) -> list[str]:
    return [drive.name for drive in passes if knocks_of(drive) is None]


def _on_road(drives: Drives, road: Road) -> RoadKnocks:
    """Counts and tests of one road, without what the family of roads decides."""
    logged = all(drive.speed for drive in road.passes)
    passes = [_in_pass(drive, road.aligned, logged) for drive in road.passes]
    heard, level_ms2 = heard_alike(
        [[knock.peak_ms2 for knock in drive.knocks] for drive in passes],
        [[knock.background_ms2 for knock in drive.knocks] for drive in passes],
        [drive.place for drive in passes],
        [drive.threshold_ms2 for drive in passes],
    )
    counted = [list(compress(drive.knocks, of_pass)) for drive, of_pass in zip(passes, heard, strict=True)]
    counts, after = np.array(list(map(len, counted))), road.design.after
    exposures, per = _exposures(passes)
    loudness = np.log([drive.threshold_ms2 for drive in passes])
    loudness = loudness[:, np.isfinite(loudness).all(axis=0)]
    metres = [drive.metres for drive in passes if drive.metres is not None]
    in_metres = len(metres) == len(passes)
    pairs = list(zip(passes, counted, strict=True))
    sides = [list(compress(pairs, of_side)) for of_side in (~after, after)]
    return RoadKnocks(
        road=road.name,
        before=_side(drives.before, sides[0]),
        after=_side(drives.after, sides[1]),
        level_ms2=float(np.median(level_ms2)),
        louder=float(np.exp((loudness[after].mean(axis=0) - loudness[~after].mean(axis=0)).mean())),
        rates=rate_ratio(counts[~after], counts[after], exposures[~after], exposures[after]),
        per=per,
        p_holm=None,
        verdict="undecided",
        series=regular_series(metres if in_metres else [drive.places_s for drive in passes]),
        series_unit="m" if in_metres else "s",
    )


def _in_pass(drive: Pass, places: Places | None, logged: bool) -> PassKnocks:
    """The knocks of one pass on the stretch of road that all passes share."""
    knocks = knocks_of(drive) or ()
    onsets_s = np.array([knock.onset_s for knock in knocks])
    starts_s = drive.cells["start_s"]
    cell = np.searchsorted(starts_s, onsets_s, side="right") - 1
    inside = (cell >= 0) & (onsets_s < starts_s[np.maximum(cell, 0)] + CELL_S)
    cell_of_place, at_s, road_s = np.zeros(starts_s.size, int), onsets_s, None
    times_s, peaks_ms2 = _thresholds(drive)
    threshold_ms2 = np.array([whole_pass(peaks_ms2)])
    if places is not None:
        number = [member.name for member in places.passes].index(drive.name)
        cell_of_place = places.place_of(number, starts_s + CELL_S / 2)
        at_s = places.place_s(number, onsets_s) if onsets_s.size else onsets_s
        road_s = float(np.diff(places.bounds_s[number][cell_of_place >= 0]).sum())
        threshold_ms2 = _by_place(places.place_of(number, times_s), peaks_ms2, len(places.edges_s))
    place = cell_of_place[np.maximum(cell, 0)] if onsets_s.size else np.zeros(0, int)
    inside &= place >= 0
    shared, metres = cell_of_place >= 0, metres_by_cell(drive) if logged else None
    return PassKnocks(
        knocks=[knock for knock, there in zip(knocks, inside, strict=True) if there],
        place=place[inside],
        places_s=at_s[inside],
        metres=drive.speed.way_m(onsets_s[inside]) if drive.speed else None,
        threshold_ms2=threshold_ms2,
        minutes=float(shared.sum()) * CELL_S / 60,
        kilometres=None if metres is None else float(metres[shared].sum()) / 1000,
        road_s=road_s,
    )


def _thresholds(drive: Pass) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middle times (n,) of the cells in which a pass was listened to, and the peak that a knock had to reach there."""
    pieces = drive.measured[NAME].thresholds
    times_s = [of.start_s + (np.arange(of.peak_ms2.size) + 0.5) * of.cell_s for of in pieces]
    return np.concatenate(times_s), np.concatenate([of.peak_ms2 for of in pieces])


def _by_place(place: NDArray[np.int64], peaks_ms2: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Mean peak (count,) that a knock had to reach at each place; infinite where nobody listened."""
    there = place >= 0
    sums, cells = np.bincount(place[there], peaks_ms2[there], count), np.bincount(place[there], minlength=count)
    return np.divide(sums, cells, out=np.full(count, np.inf), where=cells > 0)


def _side(part: str, passes: Sequence[tuple[PassKnocks, list[Knock]]]) -> SideKnocks:
    """One side by its passes, each with the knocks that are counted."""
    knocks = [knock for _, counted in passes for knock in counted]
    total, minutes = len(knocks), sum(drive.minutes for drive, _ in passes)
    lengths = [drive.kilometres for drive, _ in passes if drive.kilometres is not None]
    driven_km = sum(lengths) if len(lengths) == len(passes) else None
    return SideKnocks(
        part=part,
        counts=tuple(len(counted) for _, counted in passes),
        softer=tuple(len(drive.knocks) - len(counted) for drive, counted in passes),
        minutes=minutes,
        kilometres=driven_km,
        rate=total / minutes,
        interval=poisson_interval(total, minutes),
        rate_km=total / driven_km if driven_km else None,
        interval_km=poisson_interval(total, driven_km) if driven_km else None,
        peak_ms2=_median([knock.peak_ms2 for knock in knocks]),
        duration_s=_median([knock.duration_s for knock in knocks]),
        ring_hz=_median([knock.ring_hz for knock in knocks]),
    )


def _exposures(passes: Sequence[PassKnocks]) -> tuple[NDArray[np.float64], Per]:
    """What each pass's count is held against: the road by the alignment, else by the logs, else minutes."""
    road_s = [drive.road_s for drive in passes if drive.road_s is not None]
    if len(road_s) == len(passes):
        return np.array(road_s), "for the same road"
    driven_km = [drive.kilometres for drive in passes if drive.kilometres]
    if len(driven_km) == len(passes):  # none stood still throughout
        return np.array(driven_km), "a km by the speed logs"
    return np.array([drive.minutes for drive in passes]), "a minute"


def _median(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return float(np.median(finite)) if finite else math.nan
