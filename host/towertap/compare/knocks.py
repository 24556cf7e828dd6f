"""Knocks before and after: counts of each side over the stretch of road that all passes share, and their rate ratio.

Counts are held against each other twice, and the wider answer decides. Once as Poisson counts, by the exact conditional
test (given their sum, the count after is binomial; Przyborowski and Wilenski 1940) with Clopper and Pearson's interval.
Once with the pass as the unit: counts scatter over passes more than Poisson counts would, so the dispersion over passes
(Pearson's χ² over its degrees of freedom, never below 1) widens the interval, by Student's t (quasi-Poisson, McCullagh
and Nelder 1989). A side with one pass shows no scatter, so nothing is decided.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from towertap.compare.model import Drives, Pass, Side
from towertap.compare.phrases import listed
from towertap.compare.places import CELL_S, Places
from towertap.compare.speed_join import metres_by_cell
from towertap.compare.statistics import holm
from towertap.signals.filters import CARRIED
from towertap.signals.knocks import FALSE_A_MINUTE, LEAST_TOP_HZ, Knock

KnockVerdict = Literal["more knocks", "fewer knocks", "undecided"]
ALPHA = 0.05
AGAIN_S = 0.15
"""A knock comes back where another pass has one so near, in time of the reference pass: some two metres of road."""


@dataclass(frozen=True)
class SideKnocks:
    """One side's knocks on one road: counts by pass, minutes, rate a minute and its exact interval (Garwood 1936).

    `kilometres` is by the speed logs where every pass over the road has one (`logged`), else by the speed aimed at,
    None where none is written down. `interval` is of 95 %; with no knock at all it starts at 0 and `interval[1]` is
    the one-sided bound of 95 %. The medians (not a number without a knock, or where
    none rings) are those of all knocks counted.
    """

    part: str
    counts: tuple[int, ...]
    minutes: float
    kilometres: float | None
    logged: bool
    rate: float
    interval: tuple[float, float]
    peak_ms2: float
    duration_s: float
    ring_hz: float


@dataclass(frozen=True)
class RateRatio:
    """After over before: the ratio (NaN of none over none), its 95 % interval, p, and the dispersion over passes.

    `interval` and `p` are the wider of exact and quasi-Poisson; both None with one pass a side. `dispersion` is None
    where no pass has a knock or a side has one pass.
    """

    ratio: float
    interval: tuple[float, float] | None
    p: float | None
    dispersion: float | None


@dataclass(frozen=True)
class RoadKnocks:
    """What the knocks of one road come to; `again` is the share that comes back at its place in most passes."""

    road: str
    before: SideKnocks
    after: SideKnocks
    held: RateRatio
    p_holm: float | None
    verdict: KnockVerdict
    again: float | None
    words: str


def count_knocks(drives: Drives, places: Mapping[str, Places]) -> tuple[RoadKnocks, ...]:
    """Every road that both sides drove and where all passes could be listened to; `places` are those aligned, by name.

    The smooth road comes last and is in the family of tests like the others. `not_heard` tells of the roads left out.
    """
    found = []
    for road in (*drives.rough_roads, drives.smooth):
        passes = drives.of(road)
        if {one.side for one in passes} == {"before", "after"} and not _deaf(passes):
            found.append(_on_road(drives, passes, places.get(road)))
    adjusted = holm([one.held.p for one in found])
    return tuple(_told(replace(one, p_holm=p), road=one.road) for one, p in zip(found, adjusted, strict=True))


def not_heard(drives: Drives) -> Iterator[str]:
    """A warning for every road of which a pass could not be listened to."""
    for road in (*drives.rough_roads, drives.smooth):
        if deaf := _deaf(drives.of(road)):
            yield (
                f"knocks were not counted on {road}: the rate of {listed(deaf)} is too low to hear them; record at "
                f"{LEAST_TOP_HZ / CARRIED:g} Hz or more"
            )


def _deaf(passes: Sequence[Pass]) -> list[str]:
    return [one.name for one in passes if one.knocks is None]


def kilometres(one: Pass, cells: NDArray[np.bool_], logged: bool) -> float | None:
    """The road driven in some cells (n,) of a pass, by its speed log or else by the speed aimed at."""
    if logged:
        metres = metres_by_cell(one)
        return None if metres is None else float(metres[cells].sum()) / 1000
    aimed_kmh = one.conditions.speed_kmh
    return aimed_kmh * float(cells.sum()) * CELL_S / 3600 if aimed_kmh else None


def poisson_interval(count: int, exposure: float) -> tuple[float, float]:
    """Exact 95 % interval of a Poisson rate (Garwood 1936); of nothing, 0 and the one-sided 95 % bound."""
    if not count:
        return 0.0, -math.log(ALPHA) / exposure
    low, high = stats.chi2.ppf([ALPHA / 2, 1 - ALPHA / 2], [2 * count, 2 * count + 2]) / 2
    return float(low / exposure), float(high / exposure)


def exact_ratio(counts: tuple[int, int], exposures: tuple[float, float]) -> tuple[tuple[float, float], float]:
    """95 % interval of the rate ratio after / before of two Poisson counts, and the two-sided p of none changed."""
    if not sum(counts):
        return (0.0, math.inf), 1.0
    test = stats.binomtest(counts[1], sum(counts), exposures[1] / sum(exposures))
    share = test.proportion_ci(1 - ALPHA, "exact")
    low, high = (s / (1 - s) * exposures[0] / exposures[1] if s < 1 else math.inf for s in share)
    return (float(low), float(high)), float(test.pvalue)


def rate_ratio(before: ArrayLike, after: ArrayLike, exposure_before: ArrayLike, exposure_after: ArrayLike) -> RateRatio:
    """Hold the counts of passes (n,) against each other, with exposures (n,) of any one unit, all above nought."""
    counts = [np.asarray(side, float) for side in (before, after)]
    exposures = [np.asarray(side, float) for side in (exposure_before, exposure_after)]
    sums, times = [side.sum() for side in counts], [side.sum() for side in exposures]
    ratio = math.nan if not sums[1] else math.inf
    if sums[0]:
        ratio = float(sums[1] / times[1] / (sums[0] / times[0]))
    if min(side.size for side in counts) < 2:
        return RateRatio(ratio, None, None, None)
    (low, high), p = exact_ratio((int(sums[0]), int(sums[1])), (float(times[0]), float(times[1])))
    if not sum(sums):
        return RateRatio(ratio, (low, high), p, None)
    df = sum(side.size for side in counts) - 2
    dispersion = sum(_pearson(c, e) for c, e in zip(counts, exposures, strict=True)) / df
    shown = np.array(sums) + (0.5 if not min(sums) else 0.0)  # half a knock stands in for none (Haldane, Anscombe)
    difference = math.log(shown[1] / times[1]) - math.log(shown[0] / times[0])
    error = math.sqrt(max(1.0, dispersion) * float((1 / shown).sum()))
    reach = float(stats.t.isf(ALPHA / 2, df)) * error
    low, high = min(low, math.exp(difference - reach)), max(high, math.exp(difference + reach))
    return RateRatio(ratio, (low, high), max(p, float(2 * stats.t.sf(abs(difference) / error, df))), float(dispersion))


def _pearson(counts: NDArray[np.float64], exposures: NDArray[np.float64]) -> float:
    expected = counts.sum() * exposures / exposures.sum()
    return float(np.square(counts - expected).sum() / expected.mean()) if counts.sum() else 0.0


def _on_road(drives: Drives, passes: Sequence[Pass], places: Places | None) -> RoadKnocks:
    """Counts and tests of one road, without what the family of roads decides."""
    aligned = places if places is not None and len(places.edges_s) else None
    sides: dict[Side, SideKnocks] = {}
    counts: dict[Side, list[int]] = {"before": [], "after": []}
    minutes: dict[Side, list[float]] = {"before": [], "after": []}
    driven: dict[Side, list[float | None]] = {"before": [], "after": []}
    logged = all(one.speed for one in passes)
    knocks: dict[Side, list[Knock]] = {"before": [], "after": []}
    where: list[NDArray[np.float64]] = []
    for one in passes:
        onsets_s = np.array([knock.onset_s for knock in one.knocks or ()])
        starts_s = one.cells["start_s"].to_numpy(float)
        cell = np.searchsorted(starts_s, onsets_s, side="right") - 1
        inside = (cell >= 0) & (onsets_s < starts_s[np.maximum(cell, 0)] + CELL_S)
        shared = np.ones(starts_s.size, bool)
        at = onsets_s
        if aligned is not None:
            number = [member.name for member in aligned.passes].index(one.name)
            middle = aligned.place_s(number, starts_s + CELL_S / 2)
            shared = (middle >= aligned.edges_s[0, 0]) & (middle < aligned.edges_s[-1, 1])
            at = aligned.place_s(number, onsets_s) if onsets_s.size else onsets_s
        inside &= shared[np.maximum(cell, 0)]
        where.append(at[inside])
        counts[one.side].append(int(inside.sum()))
        minutes[one.side].append(float(shared.sum()) * CELL_S / 60)
        driven[one.side].append(kilometres(one, shared, logged))
        knocks[one.side] += [knock for knock, there in zip(one.knocks or (), inside, strict=True) if there]
    parts: dict[Side, str] = {"before": drives.before, "after": drives.after}
    for side, part in parts.items():
        total, time = sum(counts[side]), sum(minutes[side])
        lengths = [km for km in driven[side] if km is not None]
        sides[side] = SideKnocks(
            part=part,
            counts=tuple(counts[side]),
            minutes=time,
            kilometres=sum(lengths) if len(lengths) == len(driven[side]) else None,
            logged=logged,
            rate=total / time,
            interval=poisson_interval(total, time),
            peak_ms2=_median([knock.peak_ms2 for knock in knocks[side]]),
            duration_s=_median([knock.duration_s for knock in knocks[side]]),
            ring_hz=_median([knock.ring_hz for knock in knocks[side]]),
        )
    return RoadKnocks(
        road=passes[0].road,
        before=sides["before"],
        after=sides["after"],
        held=rate_ratio(counts["before"], counts["after"], minutes["before"], minutes["after"]),
        p_holm=None,
        verdict="undecided",
        again=come_again(where) if aligned is not None else None,
        words="",
    )


def come_again(where: Sequence[NDArray[np.float64]]) -> float | None:
    """Share of knocks, by place in each pass (n,), with another within AGAIN_S in most other passes; None of none."""
    shares = []
    for number, mine in enumerate(where):
        others = [other for place, other in enumerate(where) if place != number]
        near = [(np.abs(mine[:, None] - other).min(axis=1, initial=np.inf) < AGAIN_S) for other in others]
        shares.append(np.mean(near, axis=0) > 0.5)
    together = np.concatenate(shares)
    return float(together.mean()) if together.size else None


def _median(values: Sequence[float]) -> float:
    there = [value for value in values if math.isfinite(value)]
    return float(np.median(there)) if there else math.nan


def _told(one: RoadKnocks, road: str) -> RoadKnocks:
    """The same with its verdict and its paragraph."""
    verdict: KnockVerdict = "undecided"
    if one.p_holm is not None and one.p_holm < ALPHA:
        verdict = "more knocks" if one.after.rate > one.before.rate else "fewer knocks"
    told = [f"Knocks on {road}: {verdict}. {_side(one.before)}; {_side(one.after)}."]
    if one.held.interval and one.p_holm is not None and sum(one.before.counts + one.after.counts):
        low, high = (f"{limit:.2f}" if math.isfinite(limit) else "any number" for limit in one.held.interval)
        ratio = f"{one.held.ratio:.2f}" if math.isfinite(one.held.ratio) else "without bound"
        p = "p < 0.0001" if one.p_holm < 0.0001 else f"p = {one.p_holm:.2g}"
        spread = one.held.dispersion or 0.0
        wider = f", widened because passes scatter {spread:.1f} times as much as chance alone" if spread > 1 else ""
        told.append(f"Rate after over before: {ratio} (95 % interval {low} to {high}{wider}; {p} after Holm).")
    elif one.held.interval is None:
        told.append("A side with one pass does not show how far counts differ by chance: drive three passes or more.")
    some = sum(one.before.counts + one.after.counts) > 0
    if some and max(one.before.interval[0], one.after.interval[0]) <= FALSE_A_MINUTE:
        told.append(f"False alarms, up to {FALSE_A_MINUTE:g} a minute, could make up these counts.")
    if verdict == "undecided":
        told.append("This is not evidence that nothing changed.")
    if one.again is not None:
        told.append(f"{100 * one.again:.0f} % of them come back at one place in most passes: those are the road's.")
    return replace(one, verdict=verdict, words=" ".join(told))


def _side(side: SideKnocks) -> str:
    """The rate of one side in words."""
    count = sum(side.counts)
    if not count:
        return (
            f"{side.part}: none in {side.minutes:.1f} minutes, fewer than {side.interval[1]:.2g} a minute with 95 % "
            "confidence"
        )
    how = "the speed logs" if side.logged else "the speed aimed at"
    per_km = f", {count / side.kilometres:.3g} a km by {how}" if side.kilometres else ""
    return (
        f"{side.part}: {count} in {side.minutes:.1f} minutes, {side.rate:.3g} a minute (95 % interval "
        f"{side.interval[0]:.2g} to {side.interval[1]:.2g} if they come by chance alone{per_km})"
    )
