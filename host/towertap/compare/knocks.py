"""Knocks before and after: counts of each side over the stretch of road that all passes share, and their rate ratio.

Counts are held against each other twice, and the wider answer decides. Once as Poisson counts, by the exact conditional
test (given their sum, the count after is binomial; Przyborowski and Wilenski 1940), p twice the smaller tail, with
Clopper and Pearson's interval. Once with the pass as the unit: counts scatter over passes more than Poisson counts
would, so what a ratio costs in deviance is held against the dispersion over passes (Pearson's χ² over its degrees of
freedom, never below 1) by an F test, and the interval is every ratio that this test bears (quasi-Poisson, McCullagh and
Nelder 1989). A side without a knock shows no scatter and counts neither in the χ² nor in its degrees of freedom. With
one pass on a side nothing is decided, and none heard on either side is no test.

Where the passes are aligned the exposure is the road, in seconds of the reference pass, so that a side driven faster
has no more knocks for it; else metres where every pass has a speed log, else minutes.

Pearson's χ² takes a pass's variance to grow as its exposure. Where each pass has a rate of its own that of a long pass
grows faster, so the jackknife over passes stands in for a side's χ² where it is larger (MacKinnon and White 1985): that
costs power where passes are of very unequal length (`tests/compare/knocks_error_rates.py`), and nothing where they are
equally long, as aligned passes are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from towertap.compare.model import Drives, Pass, Side
from towertap.compare.phrases import some
from towertap.compare.places import CELL_S, Places
from towertap.compare.speed_join import metres_by_cell
from towertap.compare.statistics import holm
from towertap.signals.filters import CARRIED
from towertap.signals.knocks import FALSE_A_MINUTE, LEAST_TOP_HZ, Knock

KnockVerdict = Literal["more knocks", "fewer knocks", "undecided"]
Per = Literal["for the same road", "a km by the speed logs", "a minute"]
"""What the counts are held against each other for."""
ALPHA = 0.05
SHIFTS = 200
"""Draws behind what comes back by chance."""
AGAIN_S = 0.15
"""A knock comes back where another pass has one so near, in time of the reference pass: some two metres of road."""


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
class RateRatio:
    """After over before: the ratio (NaN of none over none), its 95 % interval, p, and the dispersion over passes.

    `interval` and `p` are the wider of exact and quasi-Poisson: the interval leaves out 1 where p < 0.05 and nowhere
    else. It starts at 0 with none after and has no end with none before. They and `dispersion`, that of the sides with
    knocks, are None where no pass has a knock or a side has one pass.
    """

    ratio: float
    interval: tuple[float, float] | None
    p: float | None
    dispersion: float | None


@dataclass(frozen=True)
class RoadKnocks:
    """What the knocks of one road come to.

    `held` is the ratio of knocks `per` unit of road or time; `again` the share that comes back at one place in most
    passes of each side, see `come_again`, and `again_by_chance` what it seldom exceeds by chance, see `by_chance`.
    """

    road: str
    before: SideKnocks
    after: SideKnocks
    held: RateRatio
    per: Per
    p_holm: float | None
    verdict: KnockVerdict
    again: float | None
    again_by_chance: float | None
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
                f"knocks were not counted on {road}: the rate of {some(deaf)} is too low to hear them; record at "
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
    """95 % interval of the rate ratio after / before of two Poisson counts, not both 0, and the p of none changed.

    Exact, given the sum of the counts; p is twice the smaller tail, as the interval (Clopper and Pearson 1934) has it.
    """
    before, after = counts
    total, share = before + after, exposures[1] / sum(exposures)
    tails = stats.binom.cdf(after, total, share), stats.binom.sf(after - 1, total, share)
    low = stats.beta.ppf(ALPHA / 2, after, before + 1) if after else 0.0
    high = stats.beta.isf(ALPHA / 2, after + 1, before) if before else 1.0
    low, high = (s / (1 - s) * exposures[0] / exposures[1] if s < 1 else math.inf for s in (low, high))
    return (float(low), float(high)), min(1.0, 2 * float(min(tails)))


def deviance_ratio(
    counts: tuple[int, int], exposures: tuple[float, float], dispersion: float, df: int
) -> tuple[tuple[float, float], float]:
    """95 % interval of the rate ratio after / before of two counts, not both 0, and the p of none changed, by F.

    What a ratio costs is the difference of deviance between Poisson regressions with that ratio and with a free one;
    over the `dispersion`, known with `df` degrees of freedom, it is held against F with 1 and df (McCullagh and Nelder
    1989). The interval holds every ratio with p above 0.05.
    """
    before, after = counts
    total = before + after
    least = special.xlogy(before, before / total) + special.xlogy(after, after / total)
    unit = math.log(exposures[1] / exposures[0])

    def cost(logit: float) -> float:
        """That of the ratio with which the expected counts, after / before, are as exp(logit)."""
        return 2 * float(least - before * special.log_expit(-logit) - after * special.log_expit(logit))

    most = dispersion * float(stats.f.isf(ALPHA, 1, df))
    enough = most / 2 + total * math.log(2)  # this over a side's count is a logit that costs more than `most`
    low, high = -math.inf, math.inf
    best = math.log(after / before) if before and after else math.copysign(50.0, after - before)  # as good as infinite
    if after:
        low = optimize.brentq(lambda at: cost(at) - most, -enough / after, best)
    if before:
        high = optimize.brentq(lambda at: cost(at) - most, best, enough / before)
    with np.errstate(over="ignore"):
        limits = float(np.exp(low - unit)), float(np.exp(high - unit))
    return limits, float(stats.f.sf(cost(unit) / dispersion, 1, df))


def rate_ratio(before: ArrayLike, after: ArrayLike, exposure_before: ArrayLike, exposure_after: ArrayLike) -> RateRatio:
    """Hold the counts of passes (n,) against each other, with exposures (n,) of any one unit, all above nought."""
    counts = [np.asarray(side, float) for side in (before, after)]
    exposures = [np.asarray(side, float) for side in (exposure_before, exposure_after)]
    sums = int(counts[0].sum()), int(counts[1].sum())
    times = float(exposures[0].sum()), float(exposures[1].sum())
    if not any(sums):
        return RateRatio(math.nan, None, None, None)
    ratio = sums[1] / times[1] / (sums[0] / times[0]) if sums[0] else math.inf
    if min(side.size for side in counts) < 2:
        return RateRatio(ratio, None, None, None)
    knocking = [(c, e) for c, e in zip(counts, exposures, strict=True) if c.any()]
    df = sum(c.size - 1 for c, _ in knocking)
    dispersion = sum(_scatter(c, e) for c, e in knocking) / df
    exact, p_exact = exact_ratio(sums, times)
    scattered, p = deviance_ratio(sums, times, max(1.0, dispersion), df)
    interval = min(exact[0], scattered[0]), max(exact[1], scattered[1])
    return RateRatio(ratio, interval, max(p_exact, p), dispersion)


def _scatter(counts: NDArray[np.float64], exposures: NDArray[np.float64]) -> float:
    """χ² of one side's passes, (n,) each, two or more: Pearson's, or the jackknife's where that is larger.

    The jackknife holds each pass against the rate of the others; of equally long passes both are the same.
    """
    share = exposures / exposures.sum()
    strays = np.square(counts - counts.sum() * share)
    pearson = (strays / share).sum()
    jackknife = (strays / np.square(1 - share)).sum() * (counts.size - 1) ** 2 / counts.size
    return float(max(pearson, jackknife) / counts.sum())


def _on_road(drives: Drives, passes: Sequence[Pass], places: Places | None) -> RoadKnocks:
    """Counts and tests of one road, without what the family of roads decides."""
    aligned = places if places is not None and len(places.edges_s) else None
    sides: dict[Side, SideKnocks] = {}
    counts: dict[Side, list[int]] = {"before": [], "after": []}
    minutes: dict[Side, list[float]] = {"before": [], "after": []}
    driven: dict[Side, list[float | None]] = {"before": [], "after": []}
    road_s: dict[Side, list[float]] = {"before": [], "after": []}
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
            road_s[one.side].append(float(np.diff(aligned.bounds_s(number)[shared]).sum()))
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
        km = sum(lengths) if len(lengths) == len(driven[side]) else None
        sides[side] = SideKnocks(
            part=part,
            counts=tuple(counts[side]),
            minutes=time,
            kilometres=km,
            logged=logged,
            rate=total / time,
            interval=poisson_interval(total, time),
            rate_km=total / km if km else None,
            interval_km=poisson_interval(total, km) if km else None,
            peak_ms2=_median([knock.peak_ms2 for knock in knocks[side]]),
            duration_s=_median([knock.duration_s for knock in knocks[side]]),
            ring_hz=_median([knock.ring_hz for knock in knocks[side]]),
        )
    exposures, per = _exposures(minutes, driven if logged else None, road_s if aligned is not None else None)
    of_sides = [one.side for one in passes]
    return RoadKnocks(
        road=passes[0].road,
        before=sides["before"],
        after=sides["after"],
        held=rate_ratio(counts["before"], counts["after"], exposures["before"], exposures["after"]),
        per=per,
        p_holm=None,
        verdict="undecided",
        again=come_again(where, of_sides) if aligned is not None else None,
        again_by_chance=by_chance(where, of_sides, aligned.edges_s) if aligned is not None else None,
        words="",
    )


def _exposures(
    minutes: Mapping[Side, Sequence[float]],
    logged_km: Mapping[Side, Sequence[float | None]] | None,
    road_s: Mapping[Side, Sequence[float]] | None,
) -> tuple[Mapping[Side, Sequence[float]], Per]:
    """What each pass's count is held against, by side: the road by the alignment, else by the logs, else minutes."""
    if road_s is not None:
        return road_s, "for the same road"
    if logged_km is not None:
        lengths: dict[Side, list[float]] = {side: [km for km in ones if km] for side, ones in logged_km.items()}
        if all(len(lengths[side]) == len(ones) for side, ones in logged_km.items()):  # none stood still throughout
            return lengths, "a km by the speed logs"
    return minutes, "a minute"


def come_again(where: Sequence[NDArray[np.float64]], sides: Sequence[Side]) -> float | None:
    """Share of knocks, by place in each pass (n,), with one within AGAIN_S in most passes of each side.

    A knock's own pass is one that has it. None without a knock, or with one pass on a side, which shows no coming back.
    """
    if min(sides.count("before"), sides.count("after")) < 2:
        return None
    shares = []
    for mine in where:
        near = np.array([_distance(mine, other) < AGAIN_S for other in where])
        of_sides = [near[[one == side for one in sides]] for side in ("before", "after")]
        shares.append(np.all([passes.mean(axis=0) > 0.5 for passes in of_sides], axis=0))
    together = np.concatenate(shares)
    return float(together.mean()) if together.size else None


def _distance(places: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """From each place (n,) to the nearest of the others (m,), infinite where there is none."""
    walled = np.concatenate([[-np.inf], np.sort(others), [np.inf]])
    above = np.searchsorted(walled, places)
    return np.minimum(places - walled[above - 1], walled[above] - places)


def by_chance(
    where: Sequence[NDArray[np.float64]], sides: Sequence[Side], edges_s: NDArray[np.float64]
) -> float | None:
    """What `come_again` exceeds 1 time in 20 when each pass is shifted along the road, end to start, at random.

    `edges_s` (m, 2) are the road's places; shifting keeps how many knocks a pass has and how close they follow.
    """
    start, span = edges_s[0, 0], edges_s[-1, 1] - edges_s[0, 0]
    draw = np.random.default_rng(1)
    shares = [
        come_again([start + (one - start + draw.uniform(0, span)) % span for one in where], sides)
        for _ in range(SHIFTS)
    ]
    told = [share for share in shares if share is not None]
    return float(np.quantile(told, 0.95)) if told else None


def _median(values: Sequence[float]) -> float:
    there = [value for value in values if math.isfinite(value)]
    return float(np.median(there)) if there else math.nan


def _told(one: RoadKnocks, road: str) -> RoadKnocks:
    """The same with its verdict and its paragraph."""
    verdict: KnockVerdict = "undecided"
    if one.p_holm is not None and one.p_holm < ALPHA:
        verdict = "more knocks" if one.held.ratio > 1 else "fewer knocks"
    heard = sum(one.before.counts + one.after.counts) > 0
    head = verdict if heard else "none heard on either side, so nothing was tested"
    told = [f"Knocks on {road}: {head}. {_side(one.before)}; {_side(one.after)}."]
    if one.held.interval and one.p_holm is not None:
        low, high = (f"{limit:.2f}" if math.isfinite(limit) else "any number" for limit in one.held.interval)
        ratio = f"{one.held.ratio:.2f}" if math.isfinite(one.held.ratio) else "without bound"
        p = "p < 0.0001" if one.p_holm < 0.0001 else f"p = {one.p_holm:.2g}"
        spread = one.held.dispersion or 0.0
        wider = f", widened because passes scatter {spread:.1f} times as much as chance alone" if spread > 1 else ""
        told.append(
            f"Knocks {one.per}, after over before: {ratio} (95 % interval {low} to {high}{wider}; {p} after Holm)."
        )
    elif heard:
        told.append("A side with one pass does not show how far counts differ by chance: drive three passes or more.")
    if heard and max(one.before.interval[0], one.after.interval[0]) <= FALSE_A_MINUTE:
        told.append(f"False alarms, up to {FALSE_A_MINUTE:g} a minute, could make up these counts.")
    if verdict == "undecided":
        told.append("This is not evidence that nothing changed.")
    if one.again is not None and one.again_by_chance is not None:
        cause = (
            "So something on the road sets them off there, which does not tell a part's knock from the road's."
            if one.again > one.again_by_chance
            else "So nothing is shown to set them off at one place."
        )
        told.append(
            f"{100 * one.again:.0f} % of them come back at one place in most passes with either part; with the passes "
            f"shifted along the road at random it is {100 * one.again_by_chance:.0f} % or less 19 times in 20. {cause}"
        )
    return replace(one, verdict=verdict, words=" ".join(told))


def _side(side: SideKnocks) -> str:
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
