"""The tables of the answer, for page and terminal alike: each day against the first fit, and the trends."""

from __future__ import annotations

from towertap.wear.model import Course, Trend, Wear
from towertap.wear.words import title
from towertap.words.numbers import fixed, interval, number, p_value
from towertap.words.table import Table

BY_DAY = ("day", "months", "passes", "mean", "ratio to the\nfirst fit", "95 % interval,\ntogether")
P_VALUES = ("p different,\nHolm", "p equivalent,\nHolm")
TRENDS = ("road,\nmetric", "% a month,\n95 % interval", "ratio over the time seen,\n95 % interval")
SCATTER = ("days vary,\n%", "by passes\nalone, %", "p, days\ndiffer")


def tables(wear: Wear) -> list[Table]:
    """Each day against the first fit, a table a course, those of the smooth road last; and the trends."""
    by_day = [_by_day(course) for course in (*wear.courses, *wear.checks)]
    rows = tuple(_trend_row(course, course.trend) for course in wear.courses if course.trend)
    columns = (*TRENDS, *P_VALUES, *SCATTER, "verdict")
    return [*by_day, *([Table("Trends", columns, rows, right=columns[1:-1])] if rows else [])]


def _by_day(course: Course) -> Table:
    columns = (*BY_DAY, *P_VALUES, "verdict by\nthe day's passes")
    first, *later = course.means
    rows = [(first.session, fixed(first.months), str(first.passes), number(first.level), "first fit", *[""] * 4)]
    for mean, day in zip(later, course.changes, strict=True):
        rows.append(
            (
                *(mean.session, fixed(mean.months), str(mean.passes), number(mean.level), number(day.ratio)),
                *(interval(day.together), p_value(day.p_difference_holm), p_value(day.p_equivalence_holm)),
                day.verdict + (", outside" if day.outside else ""),
            )
        )
    return Table(f"{title(course)}, {course.unit}, over {course.basis}", columns, tuple(rows), right=columns[1:-1])


def _trend_row(course: Course, trend: Trend) -> tuple[str, ...]:
    return (
        f"{course.road},\n{course.metric}",
        f"{fixed(trend.percent_per_month, 2)},\n{fixed(trend.interval, 2)}",
        f"{number(trend.over_span)},\n{interval(trend.over_span_interval)}",
        p_value(trend.p_difference_holm),
        p_value(trend.p_equivalence_holm),
        fixed(100 * trend.scatter),
        fixed(100 * trend.of_passes if trend.of_passes is not None else None),
        p_value(trend.days_p),
        trend.verdict,
    )
