"""The words of each course, which a customer understands and a statistician would sign, its cautions and tables."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from towertap.compare.caution import Caution, Weight
from towertap.compare.findings import instrument
from towertap.compare.findings.describe import WORDS
from towertap.compare.road.places import RoughPlaces
from towertap.compare.stats.contrast import ALPHA, Verdict
from towertap.wear.model import Course, History, Trend, Wear
from towertap.wear.trend import FEWEST_SESSIONS
from towertap.words.numbers import change_percent, fixed, interval, number, p_value, range_percent, signed
from towertap.words.phrases import change, counted, customers, listed, p_equals, sentence_case
from towertap.words.table import MISSING, Table, tabulate

ONE_DAY = Caution(
    "A day's weather, temperature, tyres and driver are in its change, and those of the first day in every change. "
    "Only the trend weighs days against days, and only it speaks of the part."
)
GOES: dict[Verdict, str] = {
    "harsher": "rises",
    "gentler": "falls",
    "equivalent": "stays inside the margin over the time seen",
    "undecided": "is undecided",
}
"""What a trend does, by its verdict."""


def described(course: Course, checks: Sequence[Course], changes_tested: int, trends_tested: int) -> Course:
    """A course with its words and cautions; `checks` are those of the smooth road, the rest the sizes of families."""
    check = next((check for check in checks if check.metric == course.metric), None)
    sentences = [f"{title(course)}: {status(course)}."]
    if course.noise and course.noise.drowns:
        sentences.append(
            f"{100 * course.noise.share:.0f} % of the power of a pass is {course.noise.source}, which drowns what the "
            "road makes of the part."
        )
    else:
        sentences += [_last(course, changes_tested), *_trend(course, trends_tested)]
    return replace(course, words=" ".join(sentences), cautions=(*_cautions(course, check), *course.cautions))


def headline(courses: Sequence[Course]) -> str:
    """The one verdict of all courses, or that they differ."""
    verdicts = {verdict for verdict, _ in map(stands, courses)}
    return verdicts.pop() if len(verdicts) == 1 else "mixed"


def summary(courses: Sequence[Course]) -> str:
    """One sentence a course: where it stands and where it goes; a metric in a customer's words the first time."""
    first = {course.metric: course for course in reversed(courses)}
    names = (
        customers(course.metric, course.label) if first[course.metric] is course else course.label for course in courses
    )
    return " ".join(
        f"{sentence_case(name)} on {course.road}: {status(course)}{_goes(course)}."
        for name, course in zip(names, courses, strict=True)
    )


def title(course: Course) -> str:
    return sentence_case(f"{course.label} on {course.road}")


def status(course: Course) -> str:
    """Where a course stands, in a few words."""
    return stands(course)[1]


def stands(course: Course) -> tuple[str, str]:
    """The verdict of a course in a word or a few, and where it stands; a day's passes alone make none of the part."""
    last, trend, undecided = course.changes[-1].session, course.trend, WORDS["undecided"]
    if course.drowned:
        return "not judged", "not judged"
    if course.left and trend:
        way = "harsher" if trend.over_span > 1 else "gentler"
        return way, f"{way} than at the first fit, and outside {_margin(course)} since {course.left}"
    if trend and trend.days_differ:
        return undecided, "undecided, for its days differ by more than their passes do"
    outside, unsure = f"outside {_margin(course)}", "the trend does not say so" if trend else _no_trend(course)
    by_day = f" by the passes of the day, though {unsure}"
    if course.outside_since:
        return undecided, f"{outside} since {course.outside_since}{by_day}"
    if course.outside:
        return undecided, f"{outside} on {listed(course.outside)} by the passes of the day, but not on {last}"
    if course.verdict == "undecided":
        return undecided, f"undecided on {last}"
    calm = course.verdict == "equivalent"
    stands_at = f"inside {_margin(course)} on {last}" if calm else f"{course.verdict} on {last} than at the first fit"
    if trend and trend.verdict == course.verdict:
        return WORDS[course.verdict], stands_at + ("" if calm else f", but not shown to be {outside}")
    return undecided, stands_at + by_day


def _goes(course: Course) -> str:
    trend = course.trend
    if trend is None or course.drowned:
        return ""
    return f"; the trend {GOES[trend.verdict]}, {signed(trend.percent_per_month)} % a month"


def _margin(course: Course) -> str:
    return f"the margin of {100 * course.margin:g} %"


def _last(course: Course, tested: int) -> str:
    last = course.changes[-1]
    measured = f"On {last.session} it was {change(last.ratio)} than at the first fit ({course.means[0].session}"
    if last.together is None:
        return f"{measured}). No day has two passes that differ, so nothing shows how much passes vary by chance."
    family = f", held together with all {tested} changes" if tested > 1 else ""
    shown = {
        "equivalent": f", inside {_margin(course)} ({_holm(last.p_equivalence_holm)})",
        "undecided": f", which neither shows a change nor rules out one of {100 * course.margin:g} %",
    }
    rare = f"; chance alone rarely gives a change this large ({_holm(last.p_difference_holm)})"
    interval = f"{range_percent(last.together)}{family}"
    if last.verdict == "equivalent":
        interval = f"{range_percent(last.interval_90)}, an interval of 90 %"
    return f"{measured}; {interval}){shown.get(last.verdict, rare)}."


def _no_trend(course: Course) -> str:
    if len(course.means) < FEWEST_SESSIONS:
        return "two days do not tell the part from the day"
    return "its days lie on one line to the last digit, as drives never do"


def _holm(p: float | None) -> str:
    return f"{p_equals(p)} after Holm's adjustment"


def _trend(course: Course, tested: int) -> Iterator[str]:
    trend = course.trend
    if trend is None:
        yield f"There is no trend: {_no_trend(course)}."
        return
    family = f" for {tested} trends" if tested > 1 else ""
    certain = "" if trend.verdict == "undecided" else f" ({_holm(trend.p_decisive)}{family})"
    yield (
        f"The trend through {len(course.means)} days, each counting once: {_rate(trend, '95 % interval ')}, "
        f"{change(trend.over_span)} over the {trend.span_months:.1f} months seen; it {GOES[trend.verdict]}{certain}."
    )
    yield _crossing(course, trend)
    if course.left and trend.crossing.on:
        yield f"Its whole interval is outside by {course.left}."


def _rate(trend: Trend, name: str = "") -> str:
    return f"{signed(trend.percent_per_month)} % a month ({name}{_interval(trend)})"


def _interval(trend: Trend) -> str:
    low, high = trend.interval
    return f"{signed(low)} to {signed(high)}"


def _crossing(course: Course, trend: Trend) -> str:
    """When the line has gone as far as the margin; no date where the trend is undecided."""
    when, margin = trend.crossing, _margin(course)
    if when.months is None:
        soonest = f"on {when.earliest}" if when.earliest else f"not before {when.told_until}"
        steepest = f"; at the steepest that its interval holds, it would be {soonest}"
        limit = "" if trend.verdict == "undecided" else steepest
        return f"No rise or fall is shown, so it does not say when the margin is left{limit}."
    if when.on is None:
        earliest = f"; {when.earliest} at the earliest" if when.earliest else ""
        return (
            f"If it went on like that, which is not measured, it would not reach {margin} by {when.told_until}, twice "
            f"the time seen{earliest}."
        )
    dates = f"{margin} on {when.on} (95 % interval {when.earliest} to {when.latest or f'later than {when.told_until}'})"
    if when.seen:
        return f"The line reaches {dates}."
    return f"The line would reach {dates}, by a continuation beyond the last day, which is not a measurement."


def check_words(check: Course) -> str:
    """What a smooth road's course says, without any adjustment: the limit is low on purpose."""
    last = check.changes[-1]
    interval = f" ({range_percent(last.interval)})" if last.interval else ""
    trend = f", {_rate(check.trend)}" if check.trend else ""
    moved = "it changed as well" if _moved(check) else "no change is shown"
    return (
        f"{title(check)}, the smooth road, as a check: {change(last.ratio)} on {last.session} than at the first fit"
        f"{interval}{trend}; {moved}."
    )


def _moved(check: Course) -> bool:
    """Whether the smooth road moved, each test alone: a caution too many costs less than one too few."""
    p_values = [day.p_difference for day in check.changes] + [check.trend.p_difference if check.trend else None]
    return any(p is not None and p < ALPHA for p in p_values)


def _cautions(course: Course, check: Course | None) -> Iterator[Caution]:
    trend = course.trend
    if check is None:
        yield Caution(
            "The smooth road was not driven at the first fit and later, so there is no check.", Weight.WEAKENS
        )
    elif _moved(check):
        yield Caution(
            f"The smooth road, {check.road}, changed as well. What changes both may be tyres, weather, the sensor or "
            "the road itself as well as the part.",
            Weight.OVERTURNS,
        )
    if trend and trend.of_passes is not None and trend.days_differ:
        yield Caution(
            f"Days vary about the line by {100 * trend.scatter:.1f} %, and passes account for "
            f"{100 * trend.of_passes:.1f} % ({p_equals(trend.days_p)}): days differ, or the course is no straight "
            "line. The changes of single days claim too much; trust the trend.",
            Weight.WEAKENS,
        )
    if course.whole_because:
        reason = sentence_case(course.whole_because)
        yield Caution(f"{reason}; the values rest on {course.basis}, smooth stretches and all.")
    yield from instrument.noise_cautions(course.noise, course.margin, course.verdict == "undecided")


def together(courses: Sequence[Course]) -> Iterator[Caution]:
    """The cautions of all courses with what they are of; one that is of several roads stands once."""
    roads: dict[tuple[str, Caution], list[str]] = {}
    for course in courses:
        for caution in course.cautions:
            roads.setdefault((course.label, caution), []).append(course.road)
    for (label, caution), of in roads.items():
        words = f"{sentence_case(label)} on {listed(of)}: {caution.words[:1].lower()}{caution.words[1:]}"
        yield replace(caution, words=words)


def bursts(rough: RoughPlaces) -> Iterator[Caution]:
    """The places left out because one pass alone was loud there."""
    if rough.bursts:
        named = f" ({listed(rough.loud_passes)})" if rough.loud_passes else ""
        places = f"{counted(rough.bursts, 'place')} where one pass alone was by far the loudest{named}"
        yield Caution(f"Left out: {places}.")


def not_again(road: str, history: History) -> Caution:
    """A road that the first session or all later ones lack."""
    return Caution(
        f"Not driven both in the first session ({history.sessions[0].name}) and later, so without a first fit to "
        f"compare with: {road}.",
        Weight.WEAKENS,
    )


def dates(wear: Wear) -> Iterator[str]:
    """When the line of each course that shows a rise or a fall reaches the margin."""
    for course in wear.courses:
        if course.trend and course.trend.crossing.on:
            words = _crossing(course, course.trend)
            yield f"{title(course)}: {words[0].lower()}{words[1:]}"


def at_a_glance(wear: Wear) -> Table:
    """The last day and the trend of every course, the smooth road's last; intervals of a smooth road stand alone."""
    rows = []
    for course in (*wear.courses, *wear.checks):
        last, trend, is_check = course.changes[-1], course.trend, course in wear.checks
        per_month = (f"{signed(trend.percent_per_month)} %", _interval(trend)) if trend else (MISSING, MISSING)
        rows.append(
            {
                "metric": sentence_case(course.label),
                "road": course.road + (", the smooth one" if is_check else ""),
                "since the\nfirst fit": change_percent(last.ratio),
                "95 %": range_percent(last.interval if is_check else last.together),
                "trend,\na month": per_month[0],
                "95 % ": per_month[1],
                "": ("changed as well" if _moved(course) else "no change shown") if is_check else stands(course)[0],
            }
        )
    first, *_, last_day = (session.name for session in wear.history.sessions)
    return tabulate(f"The last day against the first fit, and the trend: {first} to {last_day}", rows, grouped=True)


def tables(wear: Wear) -> list[Table]:
    """Each day against the first fit, a table a course, those of the smooth road last; and the trends.

    p-values are Holm's. Of the trends, days are how far they vary about the line, passes what they account for of it.
    """
    courses = (*wear.courses, *wear.checks)
    by_day = [tabulate(f"{title(each)}, {each.unit}, over {each.basis}", _by_day(each)) for each in courses]
    trends = [_trend_row(course, course.trend) for course in wear.courses if course.trend]
    return by_day + ([tabulate("Trends over the time seen", trends)] if trends else [])


def _by_day(course: Course) -> Iterator[dict[str, str]]:
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


def _trend_row(course: Course, trend: Trend) -> dict[str, str]:
    by_passes = None if trend.of_passes is None else 100 * trend.of_passes
    return {
        "road,\nmetric": f"{course.road},\n{course.metric}",
        "% a month,\n95 % interval": f"{fixed(trend.percent_per_month, 2)},\n{fixed(trend.interval, 2)}",
        "ratio,\n95 % interval": f"{number(trend.over_span)},\n{interval(trend.over_span_interval)}",
        "days, %,\npasses, %": f"{fixed(100 * trend.scatter)},\n{fixed(by_passes)}",
        "p, days\ndiffer": p_value(trend.days_p),
        "verdict": f"{trend.verdict},\np {p_value(trend.p_decisive)}",
    }
