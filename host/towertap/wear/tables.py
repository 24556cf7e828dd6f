"""The tables of the answer, for page and terminal alike: each day against the first fit, and the trends."""

from __future__ import annotations

from towertap.wear.model import Course, Trend, Wear
from towertap.wear.words import title
from towertap.words.numbers import fixed, interval, number, p_value
from towertap.words.table import Table

DAYS = ("day", "passes", "mean", "ratio", "interval,\ntogether", "p, dif-\nferent", "p, equi-\nvalent", "verdict")
TRENDS = (
    "road,\nmetric",
    "% a month,\n95 % interval",
    "ratio,\n95 % interval",
    "days, %,\npasses, %",
    "p, days",
    "verdict",
)


def tables(wear: Wear) -> list[Table]:
    """Each day against the first fit, a table a course, those of the smooth road last; and the trends.

    p-values are Holm's. Of the trends, days are how far they vary about the line, passes what they account for of it.
    """
    by_day = [_by_day(course) for course in (*wear.courses, *wear.checks)]
    rows = tuple(_trend_row(course, course.trend) for course in wear.courses if course.trend)
    return by_day + ([Table("Trends over the time seen", TRENDS, rows, TRENDS[1:-1])] if rows else [])


def _by_day(course: Course) -> Table:
    first, *later = course.means
    rows = [(first.session, str(first.passes), number(first.level), *"1–––", "first fit")]
    for mean, day in zip(later, course.changes, strict=True):
        measured = mean.session, str(mean.passes), number(mean.level), number(day.ratio), interval(day.together)
        p_values = p_value(day.p_difference_holm), p_value(day.p_equivalence_holm)
        rows.append((*measured, *p_values, day.verdict + (",\noutside" if day.outside else "")))
    return Table(f"{title(course)}, {course.unit}, over {course.basis}", DAYS, tuple(rows), DAYS[1:-1])


def _trend_row(course: Course, trend: Trend) -> tuple[str, ...]:
    by_passes = None if trend.of_passes is None else 100 * trend.of_passes
    return (
        f"{course.road},\n{course.metric}",
        f"{fixed(trend.percent_per_month, 2)},\n{fixed(trend.interval, 2)}",
        f"{number(trend.over_span)},\n{interval(trend.over_span_interval)}",
        f"{fixed(100 * trend.scatter)},\n{fixed(by_passes)}",
        p_value(trend.days_p),
        f"{trend.verdict},\np {p_value(trend.p_decisive)}",
    )
