"""Knocks: short impacts, counted on both sides and compared as rates."""

from collections.abc import Iterator, Sequence

from towertap.compare.drives.model import Reading
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.knocks.counts import (
    NAME,
    KnocksOfCapture,
    RoadKnocks,
    SideKnocks,
    count_knocks,
    not_heard,
)
from towertap.compare.stats.rates import RateRatio
from towertap.compare.study import Study
from towertap.signals.knocks import FALSE_A_MINUTE
from towertap.words.numbers import fixed, interval, number, p_value, percent
from towertap.words.phrases import listed
from towertap.words.table import Table, tabulate


class KnocksSection(Section):
    """Short impacts, before and after."""

    name = NAME
    title = "Knocks"
    note = (
        "Short impacts: moments when the three axes together, between 50 and 500 Hz or as far as the rate carries, are "
        "well over the second around them. Up to one false alarm a minute is expected on a smooth road, and impacts of "
        "the road count as well. Counted are those that every pass could have heard, with its background. Intervals "
        "are wider where passes scatter more than chance alone. Undecided is no evidence that nothing changed."
    )

    def measure(self, reading: Reading) -> KnocksOfCapture | None:
        """The knocks of a capture; None where the rate is too low to listen."""
        knocks, thresholds = reading.analysis.knocks, reading.analysis.thresholds
        return None if knocks is None or thresholds is None else KnocksOfCapture(knocks, thresholds)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        roads, cautions = count_knocks(study), tuple(not_heard(study.drives))
        if not roads:
            return Evidence("No road could be listened to for knocks.", cautions=cautions) if cautions else None
        if not any(road.heard for road in roads):
            return Evidence(_none(roads), cautions=cautions, data=roads)
        return Evidence(
            _headline(roads),
            tables=(_rates(roads), _kinds(roads)),
            paragraphs=tuple(words for road in roads for words in causes(road)),
            cautions=cautions,
            data=roads,
        )


def _none(roads: Sequence[RoadKnocks]) -> str:
    at_most = max(side.interval[1] for road in roads for side in (road.before, road.after))
    names = listed([road.road for road in roads])
    softer = sum(count for road in roads for side in (road.before, road.after) for count in side.softer)
    but = f"; {softer} were too soft for every pass to hear" if softer else ""
    return f"None were heard on {names}, on either side: fewer than {at_most:.2g} a minute{but}."


def _headline(roads: Sequence[RoadKnocks]) -> str:
    sentences = []
    for road in (road for road in roads if road.heard):
        counts = f"{sum(road.before.counts)} before, {sum(road.after.counts)} after"
        change = road.verdict if road.verdict != "undecided" else "no change of their number is shown"
        series = ", at a regular spacing as joints of a road have" if road.series else ""
        sentences.append(f"{road.road}: {change} ({counts}){series}")
    return f"{'; '.join(sentences)}."


def causes(road: RoadKnocks) -> Iterator[str]:
    """What else than the part may be behind the knocks of a road."""
    if road.heard and max(road.before.interval[0], road.after.interval[0]) <= FALSE_A_MINUTE:
        yield f"{road.road}: false alarms, up to {FALSE_A_MINUTE:g} a minute, could make up these counts."
    if road.series is not None:
        unit = "m" if road.series_unit == "m" else "s of the road"
        yield (
            f"{road.road}: they come in a regular series, one every {road.series.spacing:.3g} {unit} "
            f"({percent(road.series.share)} of the intervals): joints of the road, as of slabs or rails, and hardly "
            "the part."
        )


def _rates(roads: Sequence[RoadKnocks]) -> Table:
    """How many; the comparison of both sides stands in the row of the side after."""
    rows = (_row(road, side, road.rates if side is road.after else None) for road, side in _sides(roads))
    return tabulate("How many", rows, grouped=True)


def _row(road: RoadKnocks, side: SideKnocks, rates: RateRatio | None) -> dict[str, str]:
    return {
        "road": road.road,
        "part": side.part,
        "by pass": ", ".join(map(str, side.counts)),
        "softer, not counted": ", ".join(map(str, side.softer)),
        "minutes": fixed(side.minutes, 2),
        "a minute": number(side.rate, 2),
        "95 %": interval(side.interval, 2),
        "a km": number(side.rate_km, 2),
        "95 %, a km": interval(side.interval_km, 2),
        "times as many": number(rates.ratio, 2) if rates else "",
        "95 %, times": interval(rates.interval, 2) if rates else "",
        "p": p_value(road.p_holm) if rates else "",
        "counted": road.per if rates else "",
    }


def _kinds(roads: Sequence[RoadKnocks]) -> Table:
    return tabulate(
        "What they are like (medians)",
        (
            {
                "road": road.road,
                "part": side.part,
                "peak, m/s²": number(side.peak_ms2),
                "duration, ms": number(1000 * side.duration_s, 2),
                "ring-down, Hz": number(side.ring_hz),
                "counted from a peak of, m/s²": number(road.level_ms2, 2),
                "background, times as loud": number(road.louder) if side is road.after else "",
            }
            for road, side in _sides(roads)
            if road.heard
        ),
        grouped=True,
    )


def _sides(roads: Sequence[RoadKnocks]) -> Iterator[tuple[RoadKnocks, SideKnocks]]:
    return ((road, side) for road in roads for side in (road.before, road.after))
