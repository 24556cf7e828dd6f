"""The paragraph of each course, which a customer understands and a statistician would sign, and what to beware of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from towertap.bench.sharing import MARKED_SHARE
from towertap.compare.stats.contrast import ALPHA, Verdict
from towertap.wear.model import Change, Course, Followed, Trend
from towertap.words.phrases import change, listed, significant

ONE_DAY = (
    "a session is one day: its weather, temperature, tyres and driver are in its change against the first fit, and "
    "those of the day of the first fit are in every change; only the trend weighs days against days, and only it "
    "speaks of the part"
)
CANNOT_TELL = (
    "No day has two passes that differ, so nothing shows how far passes stray by chance, and no change can be told "
    "from it."
)


def told(one: Course, checks: Sequence[Course], followed: Followed, changes_tested: int, trends_tested: int) -> Course:
    """A course with its words and cautions; `checks` are those of the smooth road, the rest the sizes of families."""
    check = next((each for each in checks if each.metric == one.metric), None)
    if one.drowned:
        body = [_drowned(one)]
    else:
        body = [_last(one, changes_tested), _others(one), _days_outside(one), _trend(one, trends_tested)]
    smooth = f"{check.road}, the smooth road, as a check: {_course_of(check)}." if check else ""
    head = f"{one.label[:1].upper()}{one.label[1:]} on {one.road}: {status(one)}."
    return replace(
        one,
        words=" ".join(filter(None, (head, *body, smooth))),
        cautions=tuple(_cautions(one, check)) + one.cautions,
    )


def status(one: Course) -> str:
    """Where a course stands, in a few words."""
    last = one.changes[-1].session
    if one.drowned:
        return "not judged"
    if one.left and one.trend:
        way = "harsher" if one.trend.over_span > 1 else "gentler"
        return f"{way} than at the first fit, and outside the margin since {one.left}"
    if one.trend and one.trend.days_differ:
        return "undecided, for its days differ by more than their passes do"
    if one.outside_since:
        unsure = "the trend does not say so" if one.trend else "two days do not tell the part from the day"
        return f"outside the margin since {one.outside_since} by the passes of the day, though {unsure}"
    if one.outside:
        return f"outside the margin on {listed(one.outside)} by the passes of the day, but not on {last}"
    return {
        "harsher": f"harsher on {last} than at the first fit, but not shown to be outside the margin",
        "gentler": f"gentler on {last} than at the first fit, but not shown to be outside the margin",
        "equivalent": f"inside the margin on {last}",
        "undecided": f"undecided on {last}",
    }[one.verdict]


def _margin(one: Course) -> str:
    return f"the margin of {100 * one.margin:g} %"


def _last(one: Course, tested: int) -> str:
    """The last session against the first."""
    last, first = one.changes[-1], one.means[0].session
    told = (
        f"On {last.session} it was {change(last.ratio)} than on {first}, the day of the first fit, over the "
        f"{one.basis} ({significant(last.after)} against {significant(last.before)} {one.unit}; {last.passes[1]} and "
        f"{last.passes[0]} passes"
    )
    if last.together is None:
        return f"{told}). {CANNOT_TELL}"
    low, high = last.together
    return (
        f"{told}; interval from {change(low)} to {change(high)}, which holds with 95 % for "
        f"{'all ' + str(tested) + ' changes of this answer together' if tested > 1 else 'this one change'}). "
        f"{_reading(one, last)}"
    )


def _reading(one: Course, last: Change) -> str:
    p = _p(last.p_equivalence_holm if last.verdict == "equivalent" else last.p_difference_holm)
    return {
        "harsher": f"Passes that differ only by chance would seldom come out so far apart ({p}).",
        "gentler": f"Passes that differ only by chance would seldom come out so far apart ({p}).",
        "equivalent": f"The two one-sided tests hold it inside {_margin(one)} ({p}).",
        "undecided": f"That neither shows a change nor holds it inside {_margin(one)}; it is no evidence that nothing "
        "changed.",
    }[last.verdict]


def _p(p: float | None) -> str:
    return f"{'p < 0.0001' if p is not None and p < 0.0001 else f'p = {p:#.2g}'} after Holm's adjustment"


def _others(one: Course) -> str:
    """The sessions between, by verdict."""
    between = one.changes[:-1]
    if not between:
        return ""
    kinds = [
        f"{kind} on {listed([each.session for each in between if each.verdict == kind])}"
        for kind in dict.fromkeys(each.verdict for each in between)
    ]
    return f"On the days between it was judged {', '.join(kinds)}."


def _days_outside(one: Course) -> str:
    """The days whose passes lie outside the margin."""
    if not one.outside:
        return f"On no day does the whole interval lie outside {_margin(one)}."
    lasting = "and so to the last day" if one.outside_since == one.outside[0] else "but not on every day after"
    if len(one.outside) == 1:
        lasting = "the last day" if one.outside_since else "but not on the last day"
    days = f"{listed(one.outside)}, {lasting}"
    return f"Counting passes only, and not how days differ, the whole interval lies outside {_margin(one)} on {days}."


def _trend(one: Course, tested: int) -> str:
    trend = one.trend
    if trend is None:
        return "With fewer than three days there is no trend: two days always lie on a line."
    days = len(one.means)
    family = f" for {tested} trends" if tested > 1 else ""
    shown = trend.p_equivalence_holm if trend.verdict == "equivalent" else trend.p_difference_holm
    found = {
        "harsher": f"it rises ({_p(shown)}{family})",
        "gentler": f"it falls ({_p(shown)}{family})",
        "equivalent": f"over the time seen it stays inside {_margin(one)} ({_p(shown)}{family})",
        "undecided": "they neither show a trend nor hold it inside the margin",
    }[trend.verdict]
    return (
        f"The trend through {days} days, each counting once: {_signed(trend.percent_per_month)} % a month (95 % "
        f"interval {_signed(trend.interval[0])} to {_signed(trend.interval[1])}), {change(trend.over_span)} over the "
        f"{trend.span_months:.1f} months seen; {found}. {_crossing(one, trend)}"
    )


def _signed(percent: float) -> str:
    return f"{percent:+.1f}".replace("-", "−")


def _crossing(one: Course, trend: Trend) -> str:
    """When the line has gone as far as the margin; no date where the trend is undecided."""
    when = trend.crossing
    if when.months is None:
        silent = "No rise or fall is shown, so it does not say when the margin is left"
        if trend.verdict == "undecided":
            return f"{silent}."
        soonest = (
            f"at the steepest that its interval holds, on {when.earliest}"
            if when.earliest
            else f"even at the steepest that its interval holds, not before {when.told_until}"
        )
        return f"{silent}; {soonest}."
    until = when.latest or f"later than {when.told_until}"
    if when.on is None:
        soonest = f"; {when.earliest} at the earliest" if when.earliest else ""
        return (
            f"If it went on like that, which is not measured, it would not reach {_margin(one)} by "
            f"{when.told_until}, twice the time seen{soonest}."
        )
    goes, note = "reaches", ""
    if not when.seen:
        goes, note = "would reach", ", by a continuation beyond the last day, which is not a measurement"
    left = f" Its whole interval is outside by {one.left}." if one.left else ""
    return f"The line {goes} {_margin(one)} on {when.on} (95 % interval {when.earliest} to {until}){note}.{left}"


def _course_of(one: Course) -> str:
    """A smooth road's course in a phrase."""
    last = one.changes[-1]
    interval = f" ({change(last.interval[0])} to {change(last.interval[1])})" if last.interval else ""
    told = f"{change(last.ratio)} on {last.session} than at the first fit{interval}"
    if one.trend:
        low, high = one.trend.interval
        told += f", {_signed(one.trend.percent_per_month)} % a month ({_signed(low)} to {_signed(high)})"
    return told


def check_words(one: Course) -> str:
    """What a smooth road's course says, without any adjustment, since a check should be touchy."""
    moved = "it moved as well" if _moved(one) else "no move is shown, which is not evidence that there was none"
    return f"{one.label[:1].upper()}{one.label[1:]} on {one.road}, whole passes: {_course_of(one)}; {moved}."


def _moved(check: Course) -> bool:
    """Whether the smooth road moved, each test alone: a caution too many costs less than one too few."""
    p_values = [each.p_difference for each in check.changes] + [check.trend.p_difference if check.trend else None]
    return any(p is not None and p < ALPHA for p in p_values)


def _cautions(one: Course, check: Course | None) -> list[str]:
    cautions = []
    here = f"{one.road}, {one.metric}"
    if one.whole_because:
        cautions.append(f"{here}: {one.whole_because}; the figures rest on whole passes, smooth stretches and all.")
    if check is None:
        cautions.append(f"{here}: the smooth road was not driven at the first fit and later, so there is no check.")
    elif _moved(check):
        cautions.append(
            f"{here}: {check.road}, the smooth road, moved as well ({_course_of(check)}). What moves both may be "
            "tyres, weather, the sensor or the road itself as well as the part."
        )
    trend = one.trend
    if trend and trend.of_passes is not None and trend.days_differ:
        cautions.append(
            f"{here}: the days stray about the line by {100 * trend.scatter:.1f} %, where the passes within days "
            f"account for {100 * trend.of_passes:.1f} % (p = {trend.days_p:.2g}): days differ, or the course is no "
            "straight line. The changes of single days take no account of that and claim too much; trust the trend."
        )
    if one.noise and one.noise.judged == "marked":
        cautions.append(
            f"{here}: up to {100 * one.noise.share:.0f} % of a pass's power is the sensor's own noise (limit "
            f"{100 * MARKED_SHARE:.0f} %), the same on every day, so true changes are larger than the ones measured."
        )
    return cautions


def _drowned(one: Course) -> str:
    return (
        f"It is not judged: {100 * one.noise.share if one.noise else 100:.0f} % of the power of a pass is the sensor's "
        "own noise, which does not wear and drowns what the road makes of the part."
    )


def not_again(road: str, followed: Followed) -> str:
    """A road that the first session or all later ones lack."""
    return (
        f"{road} was not driven both in the first session ({followed.sessions[0].name}) and later, so it has no first "
        "fit to be held against"
    )


def summary(courses: Sequence[Course]) -> str:
    """One sentence a course: where it stands and where it goes."""
    return " ".join(
        f"{one.label[:1].upper()}{one.label[1:]} on {one.road}: {status(one)}{_goes(one)}." for one in courses
    )


def _goes(one: Course) -> str:
    if one.trend is None or one.drowned:
        return ""
    rate = f"{_signed(one.trend.percent_per_month)} % a month"
    said: dict[Verdict, str] = {
        "harsher": f"; the trend rises, {rate}",
        "gentler": f"; the trend falls, {rate}",
        "equivalent": "; the trend stays inside the margin over the time seen",
        "undecided": "; the trend is undecided",
    }
    return said[one.trend.verdict]
