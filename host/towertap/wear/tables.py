"""The tables of the answer, for page and terminal alike: each day against the first fit, and the trends."""

from collections.abc import Iterator

from towertap.wear.model import Course, Trend, Wear
from towertap.wear.words import title
from towertap.words.numbers import fixed, interval, number, p_value
from towertap.words.table import Table, tabulate

Row = dict[str, str]


def tables(wear: Wear) -> list[Table]:
    """Each day against the first fit, a table a course, those of the smooth road last; and the trends.

    p-values are Holm's. Of the trends, days are how far they vary about the line, passes what they account for of it.
    """
    courses = (*wear.courses, *wear.checks)
    by_day = [tabulate(f"{title(each)}, {each.unit}, over {each.basis}", _by_day(each)) for each in courses]
    trends = [_trend(course, course.trend) for course in wear.courses if course.trend]
    return by_day + ([tabulate("Trends over the time seen", trends)] if trends else [])


def _by_day(course: Course) -> Iterator[Row]:
    for mean, day in zip(course.means, (None, *course.changes), strict=True):
        outside = ",\noutside" if day and day.outside else ""
        yield {
            "day": mean.session,
            "passes": str(mean.passes),
            "mean": number(mean.level),
            "ratio": number(day.ratio if day else 1),
            "interval,\ntogether": interval(day.together if day else None),
            "p, dif-\nferent": p_value(day.p_difference_holm if day else None),
            "p, equi-\nvalent": p_value(day.p_equivalence_holm if day else None),
            "verdict": day.verdict + outside if day else "first fit",
        }


def _trend(course: Course, trend: Trend) -> Row:
    by_passes = None if trend.of_passes is None else 100 * trend.of_passes
    return {
        "road,\nmetric": f"{course.road},\n{course.metric}",
        "% a month,\n95 % interval": f"{fixed(trend.percent_per_month, 2)},\n{fixed(trend.interval, 2)}",
        "ratio,\n95 % interval": f"{number(trend.over_span)},\n{interval(trend.over_span_interval)}",
        "days, %,\npasses, %": f"{fixed(100 * trend.scatter)},\n{fixed(by_passes)}",
        "p, days\ndiffer": p_value(trend.days_p),
        "verdict": f"{trend.verdict},\np {p_value(trend.p_decisive)}",
    }
