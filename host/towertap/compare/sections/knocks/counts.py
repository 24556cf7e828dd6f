"""Knocks before and after: counts of each side over the road that all passes share, and the ratio of their rates.

Only knocks that every pass could have heard are counted: at each place the pass with the loudest background sets the
level. If passes are aligned, exposure is the road in seconds of the reference pass, so that driving faster does not
raise the rate; otherwise metres if every pass has a speed log, else minutes. With one pass on a side, or no knock on
either, nothing is tested.
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
"""The name of the section, and of its measurement in each pass."""
KnockVerdict = Literal["more knocks", "fewer knocks", "undecided"]
Per = Literal["for the same road", "a km by the speed logs", "a minute"]
"""The exposure that counts are compared for."""


@dataclass(frozen=True, eq=False)
class KnocksOfCapture:
    """All knocks of a capture in order, timed from its first sample, and the detection thresholds of each piece."""

    knocks: tuple[Knock, ...]
    thresholds: tuple[Thresholds, ...]


@dataclass(frozen=True)
class SideKnocks:
    """One side's knocks on one road: counts by pass, minutes, rate per minute and its exact interval (Garwood 1936).

    `softer` counts, by pass, knocks that not every pass could have heard; they are in no other value. `kilometres`,
    `rate_km` (per km) and `interval_km` are by the speed logs, None unless every pass over the road has one. Intervals
    are 95 % for independent knocks; with no knock they go from 0 to the one-sided 95 % bound. Peak, duration and
    ringing frequency are medians over the counted knocks, NaN without any.
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
    """The comparison of knocks on one road.

    `level_ms2` is the lowest peak that every pass could hear (median over places), `louder` the loudness of the
    background, after over before. `rates` is the ratio of knocks `per` unit of road or time. `series` is a regular
    spacing of knocks, including softer ones, in `series_unit`.
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
    """One pass: its knocks (k,) on the shared road, their positions, and the length of that road.

    `place` (k,) are indices of places, `places_s` (k,) positions along the road, `metres` (k,) the same by the speed
    log (None without one). `threshold_ms2` (places,) is the peak that a knock had to reach at each place.
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
    """The knocks of a pass, timed from its capture's first sample; None if the rate is too low."""
    measured = drive.measured.get(NAME)
    return measured.knocks if measured else None


def count_knocks(study: Study) -> tuple[RoadKnocks, ...]:
    """The knocks of every road that both sides drove and where every pass can show knocks.

    The smooth road comes last and is in the family of tests like the others. `not_heard` names the roads left out.
    """
    roads = [_on_road(study.drives, road) for road in study.every_road if not _unheard(road.passes)]
    adjusted = holm([road.rates.p for road in roads])
    return tuple(
        replace(road, p_holm=p, verdict=_verdict(road.rates.ratio, p)) for road, p in zip(roads, adjusted, strict=True)
    )


def _verdict(ratio: float, p: float | None) -> KnockVerdict:
    if p is None or p >= ALPHA:
        return "undecided"
    return "more knocks" if ratio > 1 else "fewer knocks"


def not_heard(drives: Drives) -> Iterator[Caution]:
    """A caution for every road with a pass that cannot show knocks."""
    for road in (*drives.rough_roads, drives.smooth):
        if unheard := _unheard(drives.of(road)):
            yield Caution(
                f"Knocks were not counted on {road}: the rate of {some(unheard)} is too low to hear them; record at "
                f"{LEAST_TOP_HZ / CARRIED:g} Hz or more."
            )


def _unheard(passes: Sequence[Pass]) -> list[str]:
    return [drive.name for drive in passes if knocks_of(drive) is None]


def _on_road(drives: Drives, road: Road) -> RoadKnocks:
    """Counts and tests of one road, before adjustment over all roads."""
    logged = all(drive.speed for drive in road.passes)
    passes = [_in_pass(drive, number, road.aligned, logged) for number, drive in enumerate(road.passes)]
    heard, level_ms2 = heard_alike(
        [[knock.peak_ms2 for knock in drive.knocks] for drive in passes],
        [[knock.background_ms2 for knock in drive.knocks] for drive in passes],
        [drive.place for drive in passes],
        [drive.threshold_ms2 for drive in passes],
    )
    counted = [list(compress(drive.knocks, is_heard)) for drive, is_heard in zip(passes, heard, strict=True)]
    counts, after = np.array(list(map(len, counted))), road.design.after
    exposures, per = _exposures(passes)
    loudness = np.log([drive.threshold_ms2 for drive in passes])
    loudness = loudness[:, np.isfinite(loudness).all(axis=0)]
    metres = [drive.metres for drive in passes if drive.metres is not None]
    in_metres = len(metres) == len(passes)
    pairs = list(zip(passes, counted, strict=True))
    before_pairs, after_pairs = (list(compress(pairs, in_side)) for in_side in (~after, after))
    return RoadKnocks(
        road=road.name,
        before=_side(drives.before, before_pairs),
        after=_side(drives.after, after_pairs),
        level_ms2=float(np.median(level_ms2)),
        louder=float(np.exp((loudness[after].mean(axis=0) - loudness[~after].mean(axis=0)).mean())),
        rates=rate_ratio(counts[~after], counts[after], exposures[~after], exposures[after]),
        per=per,
        p_holm=None,
        verdict="undecided",
        series=regular_series(metres if in_metres else [drive.places_s for drive in passes]),
        series_unit="m" if in_metres else "s",
    )


def _in_pass(drive: Pass, number: int, places: Places | None, logged: bool) -> PassKnocks:
    """The knocks of a pass, the `number`-th of `places`, on the road that all passes share."""
    knocks = knocks_of(drive) or ()
    onsets_s = np.array([knock.onset_s for knock in knocks])
    starts_s = drive.cells["start_s"]
    cell = np.searchsorted(starts_s, onsets_s, side="right") - 1
    inside = (cell >= 0) & (onsets_s < starts_s[np.maximum(cell, 0)] + CELL_S)
    cell_of_place, at_s, road_s = np.zeros(starts_s.size, int), onsets_s, None
    times_s, peaks_ms2 = _thresholds(drive)
    threshold_ms2 = np.array([whole_pass(peaks_ms2)])
    if places is not None:
        cell_of_place = places.place_of(number, starts_s + CELL_S / 2)
        at_s = places.place_s(number, onsets_s) if onsets_s.size else onsets_s
        road_s = float(np.diff(places.bounds_s[number][cell_of_place >= 0]).sum())
        threshold_ms2 = _by_place(places.place_of(number, times_s), peaks_ms2, len(places.edges_s))
    place = cell_of_place[np.maximum(cell, 0)] if onsets_s.size else np.zeros(0, int)
    inside &= place >= 0
    shared, metres = cell_of_place >= 0, metres_by_cell(drive) if logged else None
    return PassKnocks(
        knocks=list(compress(knocks, inside)),
        place=place[inside],
        places_s=at_s[inside],
        metres=drive.speed.way_m(onsets_s[inside]) if drive.speed else None,
        threshold_ms2=threshold_ms2,
        minutes=float(shared.sum()) * CELL_S / 60,
        kilometres=None if metres is None else float(metres[shared].sum()) / 1000,
        road_s=road_s,
    )


def _thresholds(drive: Pass) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middle times (n,) of the cells of detection, and the peak that a knock had to reach in each."""
    pieces = drive.measured[NAME].thresholds
    times_s = [piece.start_s + (np.arange(piece.peak_ms2.size) + 0.5) * piece.cell_s for piece in pieces]
    return np.concatenate(times_s), np.concatenate([piece.peak_ms2 for piece in pieces])


def _by_place(place: NDArray[np.int64], peaks_ms2: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Mean peak (count,) that a knock had to reach at each place; infinite without a cell there."""
    shared = place >= 0
    sums, cells = np.bincount(place[shared], peaks_ms2[shared], count), np.bincount(place[shared], minlength=count)
    return np.divide(sums, cells, out=np.full(count, np.inf), where=cells > 0)


def _side(part: str, passes: Sequence[tuple[PassKnocks, list[Knock]]]) -> SideKnocks:
    """One side, from its passes and their counted knocks."""
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
    """The exposure of each pass: road by the alignment, else by the logs, else minutes."""
    road_s = [drive.road_s for drive in passes if drive.road_s is not None]
    if len(road_s) == len(passes):
        return np.array(road_s), "for the same road"
    driven_km = [drive.kilometres for drive in passes if drive.kilometres]
    if len(driven_km) == len(passes):  # each with a log, and none stationary throughout
        return np.array(driven_km), "a km by the speed logs"
    return np.array([drive.minutes for drive in passes]), "a minute"


def _median(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return float(np.median(finite)) if finite else math.nan
