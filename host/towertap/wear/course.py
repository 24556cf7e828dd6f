"""The course of a part: each later session against the first fit, the trend, and when it leaves the margin."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from statistics import fmean

import numpy as np

from towertap.compare.drives.model import Pass, Quantity
from towertap.compare.findings import instrument
from towertap.compare.findings.find import verdict
from towertap.compare.road.places import Places, find_places
from towertap.compare.road.rough import PassValue, rough_places, roughness_limit, whole_value
from towertap.compare.stats.contrast import ALPHA
from towertap.compare.stats.ratio import Contrast, holm
from towertap.errors import AnalysisError, CallError
from towertap.wear import words
from towertap.wear.model import Change, Course, Crossing, Day, Followed, Mean, Point, Session, Trend, Wear
from towertap.wear.trend import (
    Line,
    against_first,
    days_against_passes,
    fit_line,
    months_to,
    slope_tests,
)

MONTH = timedelta(days=365.25 / 12)
DEFAULT_METRICS = ("jerk_z",)
"""One, because every session is a change of its own, and every further metric multiplies the family they share."""
SPANS = 2.0
"""A line is not continued further than so many times the time seen, from the first fit."""


def follow(
    followed: Followed, margin: float = 0.10, quantile: float = 0.95, metrics: Sequence[str] = DEFAULT_METRICS
) -> Wear:
    """Follow a part over its sessions on every road, in every metric asked for.

    `margin` is the change that counts, as a fraction; `quantile` of the smooth road's windows of all sessions is the
    roughness limit; `metrics` are columns of the window tables. Raises CallError for a margin, quantile or metric that
    cannot be, AnalysisError when no rough road was driven at the first fit and later.
    """
    if not 0 < margin < 1:
        raise CallError(f"a margin of {100 * margin:g} % cannot be: name more than 0 % and less than 100 %")
    if not 0 < quantile < 1:
        raise CallError(f"a quantile of {quantile:g} cannot be: name one between 0 and 1")
    quantities = [_quantity(followed, name) for name in dict.fromkeys(metrics)]
    lost = [road for road in followed.roads if not _driven_again(followed, road)]
    rough = [road for road in followed.roads if road != followed.smooth and road not in lost]
    if not rough:
        raise AnalysisError(
            f"no rough road was driven both in the first session ({followed.sessions[0].name}) and later: drive the "
            "same roads each time, or name a later first day by --since"
        )
    bench = {one.name: one.bench for one in followed.passes if one.bench}
    smooth = _passes(followed.of(followed.smooth))
    limits = {one.name: roughness_limit(smooth, one.name, quantile).value for one in quantities}
    places = {road: find_places(_passes(followed.of(road))) for road in rough}
    courses = _decide(
        [_course(followed, road, one, margin, limits, places[road]) for road in rough for one in quantities]
    )
    checks = []
    if followed.smooth not in lost:
        checks = [_decide([_course(followed, followed.smooth, one, margin, limits, None)])[0] for one in quantities]
    changes_tested = _tested([change.p_difference for one in courses for change in one.changes])
    trends_tested = _tested([one.trend.p_difference if one.trend else None for one in courses])
    told = [words.told(one, checks, followed, changes_tested, trends_tested) for one in courses]
    return Wear(
        part=followed.part,
        vehicle=followed.vehicle,
        smooth=followed.smooth,
        margin=margin,
        quantile=quantile,
        alpha=ALPHA,
        summary=words.summary(told),
        sessions=tuple(_day(one) for one in followed.sessions),
        courses=tuple(told),
        checks=tuple(replace(one, words=words.check_words(one)) for one in checks),
        changes_tested=changes_tested,
        trends_tested=trends_tested,
        limits=limits,
        alignment=tuple(one.alignment for one in places.values()),
        warnings=(
            words.ONE_DAY,
            *followed.warnings,
            *instrument.warnings(bench),
            *(words.not_again(road, followed) for road in lost),
        ),
        excluded=followed.excluded,
        other_captures=followed.others,
        bench=bench,
    )


def _quantity(followed: Followed, name: str) -> Quantity:
    for quantity in followed.quantities:
        if quantity.name == name:
            return quantity
    raise CallError(f"no metric '{name}': use {', '.join(quantity.name for quantity in followed.quantities)}")


def _driven_again(followed: Followed, road: str) -> bool:
    """Whether a road was driven at the first fit and in a later session."""
    sessions = followed.of(road)
    return len(sessions) > 1 and sessions[0].name == followed.sessions[0].name


def _passes(sessions: Sequence[Session]) -> list[Pass]:
    return [one for session in sessions for one in session.passes]


def _tested(p_values: Sequence[float | None]) -> int:
    return sum(p is not None for p in p_values)


def _whole(drive: Pass, metric: str) -> PassValue:
    """A pass over a road that is not cut into places."""
    whole = whole_value(drive, metric)
    return PassValue(drive.name, drive.conditions.pass_number, len(drive.windows), len(drive.windows), whole, whole)


def _day(session: Session) -> Day:
    air_c = [one.conditions.air_temperature_c for one in session.passes if one.conditions.air_temperature_c is not None]
    return Day(
        session=session.name,
        began_utc=session.began.isoformat(timespec="seconds"),
        passes=len(session.passes),
        air_c=(min(air_c), max(air_c)) if air_c else None,
    )


def _course(
    followed: Followed, road: str, quantity: Quantity, margin: float, limits: dict[str, float], places: Places | None
) -> Course:
    """One course, all but what hangs on the family: verdicts, intervals that hold together, words."""
    sessions, metric = followed.of(road), quantity.name
    rough = rough_places(places, metric, limits[metric]) if places else None
    values = [
        [rough.value(drive) if rough else _whole(drive, metric) for drive in session.passes] for session in sessions
    ]
    points = [
        _point(session, drive.started, value, followed.sessions[0].began)
        for session, of_session in zip(sessions, values, strict=True)
        for drive, value in zip(session.passes, of_session, strict=True)
    ]
    means = [_mean(session.name, points) for session in sessions]
    groups = [[value.value for value in of_session] for of_session in values]
    every = _passes(sessions)
    return Course(
        road=road,
        metric=metric,
        label=quantity.label,
        unit=quantity.unit,
        margin=margin,
        basis=rough.basis if rough else "whole passes",
        share=rough.share if rough else 1.0,
        whole_because=rough.warning if rough else None,
        points=tuple(points),
        means=tuple(means),
        changes=tuple(
            _change(session.name, held)
            for session, held in zip(sessions[1:], against_first(groups, margin), strict=True)
        ),
        verdict="undecided",
        outside=(),
        outside_since=None,
        left=None,
        trend=_trend(means, groups, margin, followed.sessions[0].began),
        noise=instrument.largest_share(every, [value for of_session in values for value in of_session], metric),
        words="",
        cautions=tuple(instrument.mounting_cautions(road, metric, every)),
    )


def _point(session: Session, started: datetime | None, value: PassValue, fitted: datetime) -> Point:
    months = ((started or session.began) - fitted) / MONTH
    return Point(value.capture, session.name, months, value.value, value.whole)


def _mean(session: str, points: Sequence[Point]) -> Mean:
    mine = [one for one in points if one.session == session]
    level = math.exp(fmean(math.log(one.value) for one in mine))
    return Mean(session, fmean(one.months for one in mine), level, len(mine))


def _change(session: str, held: Contrast) -> Change:
    return Change(
        **vars(held),
        session=session,
        together=None,
        outside=False,
        p_difference_holm=None,
        p_equivalence_holm=None,
        verdict="undecided",
    )


def line_of(means: Sequence[Mean]) -> Line | None:
    """The line through the means of sessions, as `fit_line` has it."""
    return fit_line([one.months for one in means], [math.log(one.level) for one in means])


def _trend(means: Sequence[Mean], groups: Sequence[Sequence[float]], margin: float, fitted: datetime) -> Trend | None:
    """The line through the sessions' means; None with too few of them."""
    months = [one.months for one in means]
    line = line_of(means)
    if line is None:
        return None
    first, span = months[0], months[-1] - months[0]
    low, high = line.slope_interval()
    p_difference, p_equivalence = slope_tests(line, span, margin)
    against = days_against_passes(months, [np.log(group) for group in groups])
    return Trend(
        percent_per_month=100 * (_ratio(line.slope) - 1),
        interval=(100 * (_ratio(low) - 1), 100 * (_ratio(high) - 1)),
        start=float(np.exp(line.at(first))),
        df=line.df,
        span_months=span,
        over_span=_ratio(line.slope * span),
        over_span_interval=(_ratio(low * span), _ratio(high * span)),
        p_difference=p_difference,
        p_equivalence=p_equivalence,
        p_difference_holm=None,
        p_equivalence_holm=None,
        verdict="undecided",
        scatter=line.scatter,
        of_passes=against[0] if against else None,
        days_p=against[1] if against else None,
        crossing=_crossing(months_to(line, math.log1p(margin)), span, fitted + first * MONTH),
    )


def _ratio(logarithm: float) -> float:
    """The ratio of a logarithm, infinite where no float holds it, as with three days on end that stray far."""
    with np.errstate(over="ignore"):
        return float(np.exp(logarithm))


def _crossing(after: tuple[float | None, float, float | None], span: float, fitted: datetime) -> Crossing:
    """When the line has gone as far as the margin, as dates no later than SPANS times the time seen."""

    def day(months: float | None) -> str | None:
        within = months is not None and months <= SPANS * span
        return f"{fitted + months * MONTH:%Y-%m-%d}" if months is not None and within else None

    on, earliest, latest = after
    return Crossing(
        months=on,
        earliest_months=earliest,
        latest_months=latest,
        on=day(on),
        earliest=day(earliest),
        latest=day(latest),
        told_until=f"{fitted + SPANS * span * MONTH:%Y-%m-%d}",
        seen=on is not None and on <= span,
    )


def _decide(courses: list[Course]) -> list[Course]:
    """Adjust over the family and give every change and trend its verdict."""
    changes = [change for one in courses for change in one.changes]
    differences = iter(holm([one.p_difference for one in changes]))
    equivalences = iter(holm([one.p_equivalence for one in changes]))
    family = max(1, _tested([one.p_difference for one in changes]))
    trends = [one.trend for one in courses]
    trend_p_values = [one.p_difference if one else None for one in trends]
    trend_differences = holm(trend_p_values)
    trend_equivalences = holm([one.p_equivalence if one else None for one in trends])
    decided = []
    for place, one in enumerate(courses):
        together = _together(one, family)
        judged = [
            _judged(one, change, interval, next(differences), next(equivalences))
            for change, interval in zip(one.changes, together, strict=True)
        ]
        trend = one.trend and _judged_trend(one, one.trend, trend_differences[place], trend_equivalences[place])
        left = None if one.drowned else _left(one, max(1, _tested(trend_p_values)))
        decided.append(
            replace(
                one,
                changes=tuple(judged),
                verdict="undecided" if trend and trend.days_differ and not left else judged[-1].verdict,
                outside=tuple(change.session for change in judged if change.outside),
                outside_since=_outside_since(judged),
                left=left,
                trend=trend,
            )
        )
    return decided


def _together(one: Course, family: int) -> list[tuple[float, float] | None]:
    """The intervals of a course's changes, each wide enough that all `family` hold with 95 % (Bonferroni)."""
    groups = [[point.value for point in one.points if point.session == mean.session] for mean in one.means]
    return [held.interval for held in against_first(groups, one.margin, 1 - 0.05 / family)]


def _judged(
    one: Course,
    change: Change,
    together: tuple[float, float] | None,
    different: float | None,
    equivalent: float | None,
) -> Change:
    beyond = together is not None and (together[0] > 1 + one.margin or together[1] < 1 / (1 + one.margin))
    return replace(
        change,
        together=together,
        outside=beyond and not one.drowned,
        p_difference_holm=different,
        p_equivalence_holm=equivalent,
        verdict="undecided" if one.drowned else verdict(change.ratio, different, equivalent, ALPHA),
    )


def _judged_trend(one: Course, trend: Trend, different: float | None, equivalent: float | None) -> Trend:
    shown = different is not None and different < ALPHA
    return replace(
        trend,
        p_difference_holm=different,
        p_equivalence_holm=equivalent,
        verdict="undecided" if one.drowned else verdict(trend.over_span, different, equivalent, ALPHA),
        crossing=trend.crossing
        if shown
        else replace(trend.crossing, months=None, latest_months=None, on=None, latest=None, seen=False),
    )


def _outside_since(changes: Sequence[Change]) -> str | None:
    """The session since which each lies outside the margin, on the side where the last does; None if that does not."""
    since = None
    for change in reversed(changes):
        if not change.outside or (change.ratio > 1) != (changes[-1].ratio > 1):
            break
        since = change.session
    return since


def _left(one: Course, family: int) -> str | None:
    """The first session at which the line's interval, one of `family`, is wholly outside the margin."""
    line = line_of(one.means)
    if line is None:
        return None
    surely = months_to(line, math.log1p(one.margin), 1 - 0.05 / family)[2]
    return next(
        (mean.session for mean in one.means if surely is not None and mean.months - one.means[0].months >= surely), None
    )
