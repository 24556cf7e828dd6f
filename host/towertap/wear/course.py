"""The course of a part: each later session against the first fit, the trend, and when it leaves the margin."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import takewhile
from statistics import fmean

import numpy as np

from towertap.compare.caution import Caution, Weight, ranked
from towertap.compare.findings import instrument
from towertap.compare.road.places import RoughPlaces, find_places, roughness_limit
from towertap.compare.stats.contrast import ALPHA, Contrast, Verdict, holm, in_numbers, verdict
from towertap.compare.study import chosen
from towertap.errors import AnalysisError
from towertap.signals.metrics import Metric
from towertap.wear import words
from towertap.wear.model import Change, Course, Crossing, History, Mean, Point, Trend, Wear
from towertap.wear.trend import Line, against_first, days_against_passes, months_to
from towertap.words.phrases import sentence_case

MONTH = timedelta(days=365.25 / 12)
DEFAULT_METRICS = ("jerk_z",)
"""Only one: each session is a test of its own, and each further metric multiplies the family of tests."""
SPANS = 2.0
"""A line is extrapolated to this multiple of the observed time, from the first fit."""

PValues = tuple[float | None, float | None]
"""p of the difference and of the two one-sided tests, after Holm's adjustment."""


def follow(history: History, margin: float = 0.10, metrics: Sequence[str] = DEFAULT_METRICS) -> Wear:
    """Follow a part over its sessions on every road, in each of `metrics` (columns of the window tables).

    `margin` is the change that counts, as a fraction. The smooth road's windows of all sessions set the roughness
    limit. Raises CallError for an impossible margin or metric, AnalysisError if no rough road was driven both at the
    first fit and later.
    """
    followed = chosen([metric for metric in history.metrics if metric.rule == "ratio"], margin, metrics)
    roads = {road: history.on(road) for road in history.roads}
    first_session = history.sessions[0].name
    unrepeated = [road for road, own in roads.items() if len(own.sessions) < 2 or own.sessions[0].name != first_session]
    rough = [road for road in roads if road not in (*unrepeated, history.smooth)]
    if not rough:
        raise AnalysisError(
            f"no rough road was driven both in the first session ({first_session}) and later: drive the "
            "same roads each time, or give a later first day with --since"
        )
    smooth = roads[history.smooth]
    limits = {metric.name: roughness_limit(smooth.passes, metric.name).value for metric in followed}
    places = {road: find_places(roads[road].passes) for road in rough}
    unjudged = [
        _course(history, road, metric, places[road].rough(metric.name, limits[metric.name]), margin)
        for road in rough
        for metric in followed
    ]
    courses, checks = judge(unjudged, history.first_fit), []
    for metric in followed if history.smooth not in unrepeated else ():
        whole = RoughPlaces.none(metric.name, "the smooth road is not cut into places")
        checks += judge([_course(history, history.smooth, metric, whole, margin)], history.first_fit)
    changes_tested = sum(change.p_difference is not None for course in courses for change in course.changes)
    trends_tested = sum(course.trend is not None for course in courses)
    courses = [words.describe(course, checks, changes_tested, trends_tested) for course in courses]
    bench = {drive.name: drive.bench for drive in history.passes if drive.bench}
    return Wear(
        history=history,
        margin=margin,
        alpha=ALPHA,
        summary=words.summary(courses),
        courses=tuple(courses),
        checks=tuple(replace(check, words=words.check_words(check)) for check in checks),
        changes_tested=changes_tested,
        trends_tested=trends_tested,
        limits=limits,
        alignment=tuple(placed.alignment for placed in places.values()),
        cautions=ranked(
            [
                *words.cautions_of(courses),
                *(Caution(f"{sentence_case(remark)}.", Weight.WEAKENS) for remark in history.remarks),
                *(words.not_repeated(road, history) for road in unrepeated),
                words.ONE_DAY,
                *instrument.cautions(bench),
            ]
        ),
        bench=bench,
    )


def _course(history: History, road: str, metric: Metric, rough: RoughPlaces, margin: float) -> Course:
    """One metric on one road, over its rough places or over whole passes; not yet judged."""
    own, name = history.on(road), metric.name
    sessions, passes = own.sessions, own.passes
    # The bound on the engine comes from the smooth road's own quietest pass.
    engine = None if road == history.smooth else instrument.engine_share(history.passes, metric)
    values = {drive.name: rough.value(drive) for drive in passes}
    points = []
    for session in sessions:
        for drive in session.passes:
            months, value = ((drive.started or session.began) - history.first_fit) / MONTH, values[drive.name]
            points.append(Point(drive.name, session.name, months, value.value, value.whole))
    return Course(
        road=road,
        metric=name,
        label=metric.label,
        unit=metric.unit,
        margin=margin,
        basis=rough.basis,
        share=rough.share,
        whole_because=rough.whole_because,
        points=tuple(points),
        means=tuple(_mean([point for point in points if point.session == session.name]) for session in sessions),
        noise=instrument.largest_share(passes, values.values(), name, engine),
        cautions=(*words.bursts(rough), *instrument.mounting_cautions(name, passes)),
    )


def _mean(points: Sequence[Point]) -> Mean:
    level = math.exp(fmean(math.log(point.value) for point in points))
    return Mean(points[0].session, fmean(point.months for point in points), level, len(points))


def judge(courses: Sequence[Course], first_fit: datetime) -> list[Course]:
    """Add changes, trend and verdict to each course. All changes are one family of tests, all trends another."""
    contrasts = [against_first(course.groups, course.measured_margin) for course in courses]
    rises = [_rise(course) for course in courses]
    change_p_values, change_alpha = _family([change for changes in contrasts for change in changes])
    trend_p_values, trend_alpha = _family(rises)
    judged = []
    for course, changes, rise, p_trend in zip(courses, contrasts, rises, trend_p_values, strict=True):
        joint = against_first(course.groups, course.measured_margin, change_alpha)
        days = tuple(
            _change(course, mean.session, change, wide.interval, next(change_p_values))
            for mean, change, wide in zip(course.means[1:], changes, joint, strict=True)
        )
        trend = _trend(course, course.line, rise, p_trend, first_fit) if course.line and rise else None
        left = None if course.drowned else _left(course, trend_alpha)
        judged.append(
            replace(
                course,
                changes=days,
                verdict="undecided" if trend and trend.days_differ and not left else days[-1].verdict,
                outside=tuple(day.session for day in days if day.outside),
                outside_since=_outside_since(days),
                left=left,
                trend=trend,
            )
        )
    return judged


def _family(tests: Sequence[Contrast | None]) -> tuple[Iterator[PValues], float]:
    """The adjusted p-values of each test, and the alpha per interval that makes all intervals joint (Bonferroni)."""
    differences = holm([test.p_difference if test else None for test in tests])
    equivalences = holm([test.p_equivalence if test else None for test in tests])
    tested = sum(p is not None for p in differences)
    return iter(zip(differences, equivalences, strict=True)), ALPHA / max(1, tested)


def _verdict(course: Course, ratio: float, p_values: PValues) -> Verdict:
    return "undecided" if course.drowned else verdict(ratio, *p_values)


def _change(
    course: Course, session: str, change: Contrast, together: tuple[float, float] | None, p_values: PValues
) -> Change:
    top = 1 + course.margin
    return Change(
        **vars(change),
        session=session,
        together=together,
        outside=together is not None and not course.drowned and (together[0] > top or together[1] < 1 / top),
        p_difference_holm=p_values[0],
        p_equivalence_holm=p_values[1],
        verdict=_verdict(course, change.ratio, p_values),
    )


def _outside_since(changes: Sequence[Change]) -> str | None:
    """The session since which all are outside the margin on the side of the last; None if the last is inside."""
    higher = changes[-1].ratio > 1
    lasting = [*takewhile(lambda change: change.outside and (change.ratio > 1) == higher, reversed(changes))]
    return lasting[-1].session if lasting else None


def _rise(course: Course) -> Contrast | None:
    """The change along the trend's line from the first session to the last."""
    if course.line is None:
        return None
    first, last = course.means[0], course.means[-1]
    start, rise = math.exp(course.line.at(first.months)), course.line.between(first.months, last.months)
    return in_numbers(rise, start, (first.passes, last.passes), course.measured_margin)


def _trend(course: Course, line: Line, rise: Contrast, p_values: PValues, first_fit: datetime) -> Trend:
    months = [mean.months for mean in course.means]
    of_passes, days_p = days_against_passes(months, [np.log(group) for group in course.groups])
    span = months[-1] - months[0]
    with np.errstate(over="ignore"):  # with days one apart, a month's change can exceed a float
        percent, *interval = (100 * float(np.expm1(slope)) for slope in (line.slope, *line.slope_interval()))
    return Trend(
        percent_per_month=percent,
        interval=(interval[0], interval[1]),
        start=rise.before,
        df=line.df,
        span_months=span,
        over_span=rise.ratio,
        over_span_interval=rise.interval,
        p_difference=rise.p_difference,
        p_equivalence=rise.p_equivalence,
        p_difference_holm=p_values[0],
        p_equivalence_holm=p_values[1],
        verdict=_verdict(course, rise.ratio, p_values),
        scatter=line.scatter,
        of_passes=of_passes,
        days_p=days_p,
        crossing=_crossing(line, course.margin, span, first_fit + months[0] * MONTH, p_values[0]),
    )


def _crossing(line: Line, margin: float, span: float, first_day: datetime, p_difference: float | None) -> Crossing:
    """When the line reaches the margin, with dates up to SPANS times the observed time.

    If no rise or fall is shown there is only an earliest time.
    """

    def day(months: float | None) -> str | None:
        return None if months is None or months > SPANS * span else f"{first_day + months * MONTH:%Y-%m-%d}"

    months, earliest, latest = months_to(line, math.log1p(margin))
    if p_difference is None or p_difference >= ALPHA:
        months = latest = None
    return Crossing(
        months=months,
        earliest_months=earliest,
        latest_months=latest,
        on=day(months),
        earliest=day(earliest),
        latest=day(latest),
        told_until=f"{first_day + SPANS * span * MONTH:%Y-%m-%d}",
        seen=months is not None and months <= span,
    )


def _left(course: Course, alpha: float) -> str | None:
    """The first session at which the line's complete 1 − `alpha` interval is outside the margin."""
    latest = months_to(course.line, math.log1p(course.margin), alpha)[2] if course.line else None
    if latest is None:
        return None
    return next((mean.session for mean in course.means if mean.months - course.means[0].months >= latest), None)
