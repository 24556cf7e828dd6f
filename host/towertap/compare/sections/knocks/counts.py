"""Knocks before and after: counts of each side over the stretch of road that all passes share, and their rate ratio.

Where the passes are aligned the exposure is the road, in seconds of the reference pass, so that a side driven faster
has no more knocks for it; else metres where every pass has a speed log, else minutes. With one pass on a side nothing
is decided, and none heard on either side is no test.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import CELL_S, SIDES, Drives, Pass, Side
from towertap.compare.drives.speed_join import metres_by_cell
from towertap.compare.road.places import Places
from towertap.compare.sections.knocks.again import by_chance, come_again
from towertap.compare.stats.contrast import ALPHA
from towertap.compare.stats.rates import RateRatio, poisson_interval, rate_ratio
from towertap.compare.stats.ratio import holm
from towertap.compare.study import Road, Study
from towertap.signals.filters import CARRIED
from towertap.signals.knocks import FALSE_A_MINUTE, LEAST_TOP_HZ, Knock
from towertap.words.phrases import p_equals, some

KnockVerdict = Literal["more knocks", "fewer knocks", "undecided"]
Per = Literal["for the same road", "a km by the speed logs", "a minute"]
"""What the counts are held against each other for."""
NAME = "knocks"


@dataclass(frozen=True)
class SideKnocks:
    """One side's knocks on one road: counts by pass, minutes, rate a minute and its exact interval (Garwood 1936).

    `kilometres` is by the speed logs where every pass over the road has one (`logged`), else by the speed aimed at,
    None where none is written down; `rate_km` and `interval_km` are a km of it. Intervals are of 95 % for knocks that
    come by chance alone; with no knock at all they start at 0 and end at the one-sided bound of 95 %. The medians (not
    a number without a knock, or where none rings) are those of all knocks counted.
    """

    part: str
    counts: tuple[int, ...]
    minutes: float
    kilometres: float | None
    logged: bool
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

    `rates` is the ratio of knocks `per` unit of road or time; `again` the share that comes back at one place in most
    passes of each side, see `come_again`, and `again_by_chance` what it seldom exceeds by chance, see `by_chance`.
    """

    road: str
    before: SideKnocks
    after: SideKnocks
    rates: RateRatio
    per: Per
    p_holm: float | None
    verdict: KnockVerdict
    again: float | None
    again_by_chance: float | None
    words: str


@dataclass(frozen=True, eq=False)
class PassKnocks:
    """One pass: its knocks on the road that all share, where (n,), and how much of the road that is."""

    side: Side
    knocks: list[Knock]
    places_s: NDArray[np.float64]
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
    roads = [*study.roads, *([study.smooth] if study.smooth else [])]
    counted = [_on_road(study.drives, road) for road in roads if not _unheard(road.passes)]
    adjusted = holm([of_road.rates.p for of_road in counted])
    return tuple(_decided(replace(of_road, p_holm=p)) for of_road, p in zip(counted, adjusted, strict=True))


def not_heard(drives: Drives) -> Iterator[str]:
    """A warning for every road of which a pass could not be listened to."""
    for road in (*drives.rough_roads, drives.smooth):
        if unheard := _unheard(drives.of(road)):
            yield (
                f"knocks were not counted on {road}: the rate of {some(unheard)} is too low to hear them; record at "
                f"{LEAST_TOP_HZ / CARRIED:g} Hz or more"
            )


def _unheard(passes: Sequence[Pass]) -> list[str]:
    return [drive.name for drive in passes if knocks_of(drive) is None]


def kilometres(drive: Pass, cells: NDArray[np.bool_], logged: bool) -> float | None:
    """The road driven in some cells (n,) of a pass, by its speed log or else by the speed aimed at."""
    if logged:
        metres = metres_by_cell(drive)
        return None if metres is None else float(metres[cells].sum()) / 1000
    aimed_kmh = drive.conditions.speed_kmh
    return aimed_kmh * float(cells.sum()) * CELL_S / 3600 if aimed_kmh else None


def _on_road(drives: Drives, road: Road) -> RoadKnocks:
    """Counts and tests of one road, without what the family of roads decides."""
    places = road.aligned if road.aligned is not None and len(road.aligned.edges_s) else None
    logged = all(drive.speed for drive in road.passes)
    passes = [_in_pass(drive, places, logged) for drive in road.passes]
    exposures, per = _exposures(passes, logged)
    counts = {side: [len(drive.knocks) for drive in passes if drive.side == side] for side in SIDES}
    before, after = ([e for e, drive in zip(exposures, passes, strict=True) if drive.side == side] for side in SIDES)
    where, sides = [drive.places_s for drive in passes], [drive.side for drive in passes]
    return RoadKnocks(
        road=road.name,
        before=_side(drives.before, [drive for drive in passes if drive.side == "before"], logged),
        after=_side(drives.after, [drive for drive in passes if drive.side == "after"], logged),
        rates=rate_ratio(counts["before"], counts["after"], before, after),
        per=per,
        p_holm=None,
        verdict="undecided",
        again=come_again(where, sides) if places else None,
        again_by_chance=by_chance(where, sides, places.edges_s) if places else None,
        words="",
    )


def _in_pass(drive: Pass, places: Places | None, logged: bool) -> PassKnocks:
    """The knocks of one pass on the stretch of road that all passes share."""
    knocks = knocks_of(drive) or ()
    onsets_s = np.array([knock.onset_s for knock in knocks])
    starts_s = drive.cells["start_s"].to_numpy(float)
    cell = np.searchsorted(starts_s, onsets_s, side="right") - 1
    inside = (cell >= 0) & (onsets_s < starts_s[np.maximum(cell, 0)] + CELL_S)
    shared, at_s, road_s = np.ones(starts_s.size, bool), onsets_s, None
    if places is not None:
        number = [member.name for member in places.passes].index(drive.name)
        middle_s = places.place_s(number, starts_s + CELL_S / 2)
        shared = (middle_s >= places.edges_s[0, 0]) & (middle_s < places.edges_s[-1, 1])
        at_s = places.place_s(number, onsets_s) if onsets_s.size else onsets_s
        road_s = float(np.diff(places.bounds_s(number)[shared]).sum())
    inside &= shared[np.maximum(cell, 0)]
    return PassKnocks(
        side=drive.side,
        knocks=[knock for knock, there in zip(knocks, inside, strict=True) if there],
        places_s=at_s[inside],
        minutes=float(shared.sum()) * CELL_S / 60,
        kilometres=kilometres(drive, shared, logged),
        road_s=road_s,
    )


def _side(part: str, passes: Sequence[PassKnocks], logged: bool) -> SideKnocks:
    knocks = [knock for drive in passes for knock in drive.knocks]
    total, minutes = len(knocks), sum(drive.minutes for drive in passes)
    lengths = [drive.kilometres for drive in passes if drive.kilometres is not None]
    driven_km = sum(lengths) if len(lengths) == len(passes) else None
    return SideKnocks(
        part=part,
        counts=tuple(len(drive.knocks) for drive in passes),
        minutes=minutes,
        kilometres=driven_km,
        logged=logged,
        rate=total / minutes,
        interval=poisson_interval(total, minutes),
        rate_km=total / driven_km if driven_km else None,
        interval_km=poisson_interval(total, driven_km) if driven_km else None,
        peak_ms2=_median([knock.peak_ms2 for knock in knocks]),
        duration_s=_median([knock.duration_s for knock in knocks]),
        ring_hz=_median([knock.ring_hz for knock in knocks]),
    )


def _exposures(passes: Sequence[PassKnocks], logged: bool) -> tuple[list[float], Per]:
    """What each pass's count is held against: the road by the alignment, else by the logs, else minutes."""
    road_s = [drive.road_s for drive in passes if drive.road_s is not None]
    if len(road_s) == len(passes):
        return road_s, "for the same road"
    driven_km = [drive.kilometres for drive in passes if drive.kilometres]
    if logged and len(driven_km) == len(passes):  # none stood still throughout
        return driven_km, "a km by the speed logs"
    return [drive.minutes for drive in passes], "a minute"


def _median(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return float(np.median(finite)) if finite else math.nan


def _decided(knocks: RoadKnocks) -> RoadKnocks:
    """The same with its verdict and its paragraph."""
    verdict: KnockVerdict = "undecided"
    if knocks.p_holm is not None and knocks.p_holm < ALPHA:
        verdict = "more knocks" if knocks.rates.ratio > 1 else "fewer knocks"
    return replace(knocks, verdict=verdict, words=" ".join(_sentences(knocks, verdict)))


def _sentences(knocks: RoadKnocks, verdict: KnockVerdict) -> Iterator[str]:
    heard = sum(knocks.before.counts + knocks.after.counts) > 0
    head = verdict if heard else "none heard on either side, so nothing was tested"
    yield f"Knocks on {knocks.road}: {head}. {_rate_words(knocks.before)}; {_rate_words(knocks.after)}."
    rates = knocks.rates
    if rates.interval and knocks.p_holm is not None:
        low, high = (f"{limit:.2f}" if math.isfinite(limit) else "any number" for limit in rates.interval)
        ratio = f"{rates.ratio:.2f}" if math.isfinite(rates.ratio) else "without bound"
        spread = rates.dispersion or 0.0
        wider = f", widened because passes scatter {spread:.1f} times as much as chance alone" if spread > 1 else ""
        yield (
            f"Knocks {knocks.per}, after over before: {ratio} (95 % interval {low} to {high}{wider}; "
            f"{p_equals(knocks.p_holm)} after Holm)."
        )
    elif heard:
        yield "A side with one pass does not show how far counts differ by chance: drive three passes or more."
    if heard and max(knocks.before.interval[0], knocks.after.interval[0]) <= FALSE_A_MINUTE:
        yield f"False alarms, up to {FALSE_A_MINUTE:g} a minute, could make up these counts."
    if verdict == "undecided":
        yield "This is not evidence that nothing changed."
    if knocks.again is not None and knocks.again_by_chance is not None:
        cause = (
            "So something on the road sets them off there, which does not tell a part's knock from the road's."
            if knocks.again > knocks.again_by_chance
            else "So nothing is shown to set them off at one place."
        )
        yield (
            f"{100 * knocks.again:.0f} % of them come back at one place in most passes with either part; with the "
            f"passes shifted along the road at random it is {100 * knocks.again_by_chance:.0f} % or less 19 times in "
            f"20. {cause}"
        )


def _rate_words(side: SideKnocks) -> str:
    """The rate of one side in words."""
    count = sum(side.counts)
    by = "the speed logs" if side.logged else "the speed aimed at"
    if not count:
        a_km = f" and {side.interval_km[1]:.2g} a km by {by}" if side.interval_km else ""
        return (
            f"{side.part}: none in {side.minutes:.1f} minutes, fewer than {side.interval[1]:.2g} a minute{a_km} with "
            "95 % confidence"
        )
    a_km = (
        f", {side.rate_km:.3g} a km by {by} ({side.interval_km[0]:.2g} to {side.interval_km[1]:.2g})"
        if side.interval_km
        else ""
    )
    return (
        f"{side.part}: {count} in {side.minutes:.1f} minutes, {side.rate:.3g} a minute (95 % interval "
        f"{side.interval[0]:.2g} to {side.interval[1]:.2g} if they come by chance alone){a_km}"
    )
