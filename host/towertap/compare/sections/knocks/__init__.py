"""Knocks: short impacts, counted on both sides, compared as rates, and drawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from towertap.compare.drives.model import Reading
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.knocks.counts import NAME, RoadKnocks, SideKnocks, count_knocks, not_heard
from towertap.compare.sections.knocks.waves import KnocksOfCapture, listen
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import fixed, interval, number, p_value
from towertap.words.phrases import listed
from towertap.words.table import Table, tabulate


class KnocksSection(Section):
    """Short impacts, before and after."""

    name = NAME
    title = "Knocks"
    note = (
        "Short impacts, such as metal on metal or a part at the end of its free play: moments when the three axes "
        "together, between 50 and 500 Hz or as far as the rate carries, are well over the second around them. On "
        "smooth road up to one false alarm a minute is expected. Impacts of the road itself count as well, with either "
        "part. What rattles faster than some three times a second is background here and not counted."
    )

    def measure(self, reading: Reading) -> KnocksOfCapture | None:
        """The knocks of a capture with the waveforms of typical ones; None where the rate is too low to listen."""
        return listen(reading.capture, reading.analysis)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Count, and hold the rates against each other."""
        roads, warnings = count_knocks(study), tuple(not_heard(study.drives))
        if not roads:
            nothing = Evidence("No road could be listened to for knocks.", warnings=warnings, drawn=(study.drives, ()))
            return nothing if warnings else None
        return Evidence(
            headline=_headline(roads),
            paragraphs=tuple(road.words for road in roads),
            tables=(_table(roads),),
            warnings=warnings,
            data=roads,
            drawn=(study.drives, [road.road for road in roads]),
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """Typical knocks of each road that has any."""
        from towertap.compare.sections.knocks import figure

        drives, roads = evidence.drawn
        for place, road in enumerate(roads, start=1):
            if (drawn := figure.draw(drives, road)) is not None:
                yield Picture(
                    f"knocks_{place}",
                    drawn,
                    "Up to three knocks a side whose peaks are nearest to the side's median. A single knock shows what "
                    "it is like, not how often it comes.",
                )


def _headline(roads: Sequence[RoadKnocks]) -> str:
    heard = [road for road in roads if sum(road.before.counts + road.after.counts)]
    if not heard:
        return "No knocks were heard on either side."
    decided = [f"{road.verdict} on {road.road}" for road in heard if road.verdict != "undecided"]
    if decided:
        return f"{listed(decided).capitalize()}."
    return f"Knocks were heard on {listed([road.road for road in heard])}; no change of their number is shown."


def _table(roads: Sequence[RoadKnocks]) -> Table:
    return tabulate("Knocks", (_row(road, side) for road in roads for side in (road.before, road.after)))


def _row(road: RoadKnocks, side: SideKnocks) -> dict[str, str]:
    """One side; the comparison of both stands in the row of the side after."""
    rates = road.rates if side is road.after else None
    return {
        "road": road.road,
        "part": side.part,
        "knocks by pass": ", ".join(map(str, side.counts)),
        "softer, not compared": ", ".join(map(str, side.softer)),
        "minutes": fixed(side.minutes, 2),
        "a minute": number(side.rate),
        "95 % interval, Poisson": interval(side.interval),
        "a km": number(side.rate_km),
        "95 % interval, Poisson, a km": interval(side.interval_km),
        "compared": road.per if rates else "",
        "after / before": number(rates.ratio) if rates else "",
        "95 % interval": interval(rates.interval) if rates else "",
        "p, Holm": p_value(road.p_holm) if rates else "",
        "median peak, m/s²": number(side.peak_ms2),
        "median duration, ms": number(1000 * side.duration_s, 2),
        "median ring-down, Hz": number(side.ring_hz),
    }
