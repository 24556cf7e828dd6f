"""The sentences, cautions and tables of each course."""

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
    "A day's change includes its weather, temperature, tyres and driver; every change includes those of the first day. "
    "Only the trend compares days with days, so only the trend is about the part."
)
GOES: dict[Verdict, str] = {
    "harsher": "rises",
    "gentler": "falls",
    "equivalent": "stays inside the margin over the time seen",
    "undecided": "is undecided",
}
"""What a trend does, by its verdict."""


def describe(course: Course, checks: Sequence[Course], changes_tested: int, trends_tested: int) -> Course:
    """The course with its words and cautions; `checks` are the smooth road's courses."""
    check = next((check for check in checks if check.metric == course.metric), None)
    sentences = [f"{title(course)}: {status(course)}."]
    if course.noise and course.noise.drowns:
        sentences.append(
            f"{100 * course.noise.share:.0f} % of the power of a pass is {course.noise.source}, which hides what comes "
            "from the road."
        )
    else:
        sentences += [_last(course, changes_tested), *_trend(course, trends_tested)]
    return replace(course, words=" ".join(sentences), cautions=(*_cautions(course, check), *course.cautions))


def headline(courses: Sequence[Course]) -> str:
    """The verdict that all courses share, else "mixed"."""
    verdicts = {verdict for verdict, _ in map(_verdict_and_status, courses)}
    return verdicts.pop() if len(verdicts) == 1 else "mixed"


def summary(courses: Sequence[Course]) -> str:
    """One sentence per course: its state and its trend; a metric is explained the first time."""
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
    """The state of a course, in a few words."""
    return _verdict_and_status(course)[1]


def _verdict_and_status(course: Course) -> tuple[str, str]:
    """A course's verdict on the part, and its state in a few words. The passes of one day give no verdict."""
    last, trend, undecided = course.changes[-1].session, course.trend, WORDS["undecided"]
    if course.drowned:
        return "not judged", "not judged"
    if course.left and trend:
        way = "harsher" if trend.over_span > 1 else "gentler"
        return way, f"{way} than at the first fit, and outside {_margin(course)} since {course.left}"
    if trend and trend.days_differ:
        return undecided, "undecided, because its days differ by more than their passes do"
    outside = f"outside {_margin(course)}"
    by_day = f" by the passes of the day, though {'the trend does not say so' if trend else _no_trend(course)}"
    if course.outside_since:
        return undecided, f"{outside} since {course.outside_since}{by_day}"
    if course.outside:
        return undecided, f"{outside} on {listed(course.outside)} by the passes of the day, but not on {last}"
    if course.verdict == "undecided":
        return undecided, f"undecided on {last}"
    is_inside = course.verdict == "equivalent"
    state = f"inside {_margin(course)} on {last}" if is_inside else f"{course.verdict} on {last} than at the first fit"
    if trend and trend.verdict == course.verdict:
        return WORDS[course.verdict], state + ("" if is_inside else f", but not shown to be {outside}")
    return undecided, state + by_day


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
    family = f", joint over all {tested} changes" if tested > 1 else ""
    conclusions = {
        "equivalent": f", inside {_margin(course)} ({_holm(last.p_equivalence_holm)})",
        "undecided": f", which neither shows a change nor rules out one of {100 * course.margin:g} %",
    }
    rare = f"; chance alone rarely gives a change this large ({_holm(last.p_difference_holm)})"
    interval = f"{range_percent(last.together)}{family}"
    if last.verdict == "equivalent":
        interval = f"{range_percent(last.interval_90)}, a 90 % interval"
    return f"{measured}; {interval}){conclusions.get(last.verdict, rare)}."


def _no_trend(course: Course) -> str:
    if len(course.means) < FEWEST_SESSIONS:
        return "two days cannot separate the part from the day"
    return "its days lie exactly on one line, which real drives never do"


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
        yield f"Its complete interval is outside the margin by {course.left}."


def _rate(trend: Trend, name: str = "") -> str:
    return f"{signed(trend.percent_per_month)} % a month ({name}{_interval(trend)})"


def _interval(trend: Trend) -> str:
    low, high = trend.interval
    return f"{signed(low)} to {signed(high)}"


def _crossing(course: Course, trend: Trend) -> str:
    """When the line reaches the margin; no date if the trend is undecided."""
    when, margin = trend.crossing, _margin(course)
    if when.months is None:
        soonest = f"on {when.earliest}" if when.earliest else f"not before {when.told_until}"
        steepest = f"; at the steepest slope in its interval, the line would reach it {soonest}"
        limit = "" if trend.verdict == "undecided" else steepest
        return f"No rise or fall is shown, so there is no date for leaving the margin{limit}."
    if when.on is None:
        earliest = f"; {when.earliest} at the earliest" if when.earliest else ""
        return (
            f"If it went on like this, which is not measured, it would not reach {margin} by {when.told_until}, twice "
            f"the time seen{earliest}."
        )
    dates = f"{margin} on {when.on} (95 % interval {when.earliest} to {when.latest or f'later than {when.told_until}'})"
    if when.seen:
        return f"The line reaches {dates}."
    return f"The line would reach {dates}. This is beyond the last day, so it is not a measurement."


def check_words(check: Course) -> str:
    """What a smooth road's course says. Nothing is adjusted: the limit is low on purpose."""
    last = check.changes[-1]
    interval = f" ({range_percent(last.interval)})" if last.interval else ""
    trend = f", {_rate(check.trend)}" if check.trend else ""
    outcome = "it changed as well" if _has_changed(check) else "no change is shown"
    return (
        f"{title(check)}, the smooth road, as a check: {change(last.ratio)} on {last.session} than at the first fit"
        f"{interval}{trend}; {outcome}."
    )


def _has_changed(check: Course) -> bool:
    """Whether any test of the smooth road, unadjusted, shows a change: better a needless caution than a missed one."""
    p_values = [day.p_difference for day in check.changes] + [check.trend.p_difference if check.trend else None]
    return any(p is not None and p < ALPHA for p in p_values)


def _cautions(course: Course, check: Course | None) -> Iterator[Caution]:
    trend = course.trend
    if check is None:
        yield Caution(
            "The smooth road was not driven at the first fit and later, so there is no check.", Weight.WEAKENS
        )
    elif _has_changed(check):
        yield Caution(
            f"The smooth road, {check.road}, changed as well. The cause may be tyres, weather, the sensor or the road "
            "itself as well as the part.",
            Weight.OVERTURNS,
        )
    if trend and trend.of_passes is not None and trend.days_differ:
        yield Caution(
            f"Days vary about the line by {100 * trend.scatter:.1f} %; passes explain {100 * trend.of_passes:.1f} % "
            f"({p_equals(trend.days_p)}). Either days differ, or the course is not a straight line. Changes of single "
            "days look more certain than they are; trust the trend.",
            Weight.WEAKENS,
        )
    if course.whole_because:
        reason = sentence_case(course.whole_because)
        yield Caution(f"{reason}; values are over {course.basis}, including smooth stretches.")
    yield from instrument.noise_cautions(course.noise, course.margin, course.verdict == "undecided")


def cautions_of(courses: Sequence[Course]) -> Iterator[Caution]:
    """The cautions of all courses, each with its metric and roads; one that several roads share comes once."""
    roads: dict[tuple[str, Caution], list[str]] = {}
    for course in courses:
        for caution in course.cautions:
            roads.setdefault((course.label, caution), []).append(course.road)
    for (label, caution), names in roads.items():
        words = f"{sentence_case(label)} on {listed(names)}: {caution.words[:1].lower()}{caution.words[1:]}"
        yield replace(caution, words=words)


def bursts(rough: RoughPlaces) -> Iterator[Caution]:
    """A caution about places left out because a single pass was loud there."""
    if rough.bursts:
        names = f" ({listed(rough.loud_passes)})" if rough.loud_passes else ""
        places = f"{counted(rough.bursts, 'place')} where one pass alone was by far the loudest{names}"
        yield Caution(f"Left out: {places}.")


def not_repeated(road: str, history: History) -> Caution:
    """A road that is missing from the first session or from all later ones."""
    return Caution(
        f"Left out: {road}, not driven both in the first session ({history.sessions[0].name}) and later.",
        Weight.WEAKENS,
    )


def dates(wear: Wear) -> Iterator[str]:
    """When the line reaches the margin, for each course that shows a rise or fall."""
    for course in wear.courses:
        if course.trend and course.trend.crossing.on:
            words = _crossing(course, course.trend)
            yield f"{title(course)}: {words[0].lower()}{words[1:]}"


def at_a_glance(wear: Wear) -> Table:
    """The last day and the trend of every course, the smooth road's last and with unadjusted intervals."""
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
                "": ("changed as well" if _has_changed(course) else "no change shown")
                if is_check
                else _verdict_and_status(course)[0],
            }
        )
    first, *_, last_day = (session.name for session in wear.history.sessions)
    return tabulate(f"The last day against the first fit, and the trend: {first} to {last_day}", rows, grouped=True)


def tables(wear: Wear) -> list[Table]:
    """Each day against the first fit, one table per course with the smooth road's last, then the trends.

    p-values are Holm's. In the trends, "days" is their spread about the line and "passes" what passes explain of it.
    """
    courses = (*wear.courses, *wear.checks)
    by_day = [tabulate(f"{title(course)}, {course.unit}, over {course.basis}", _by_day(course)) for course in courses]
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
