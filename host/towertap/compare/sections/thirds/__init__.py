"""Where in frequency a change lies: third-octaves and wide bands, and by place as a pair of spectrograms."""

import math
from collections.abc import Iterable, Sequence

from towertap.compare.drives.model import Pass
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.thirds.bands import RoadBands, where_the_change_is
from towertap.compare.sections.thirds.by_place import at_one_place, by_place, most_changed
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import change_percent, number, percent, range_percent
from towertap.words.table import Table, tabulate

THE_PAIR = (
    "The pass of each side whose value is nearest to that side's mean; where passes are aligned, the same metre of "
    "road stands above itself. "
)
THE_CHANGE = "The change, place by place, is of all passes; single fields are not tested."

SHOWN = {1: "higher", -1: "lower", 0: "not shown"}


class ThirdsSection(Section):
    """Third-octaves locate a change and decide nothing."""

    name = "thirds"
    title = "Where in frequency"
    note = (
        "It locates a change and decides nothing. The intervals of a road hold all its bands together at 95 %, so that "
        "a band may be pointed at although so many were looked at. “Not shown” is never “no change”."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Every band of every rough road, and the typical passes by place and frequency."""
        by_road = {road.name: bands for road in study.roads if (bands := where_the_change_is(road))}
        if not by_road:
            return None
        aligned = {road.name: road.aligned for road in study.roads}
        maps = [
            by_place(by_road[finding.road], aligned[finding.road], *typical_passes(finding, study.drives.passes))
            for finding in first_findings(findings)
            if finding.road in by_road
        ]
        roads = list(by_road.values())
        single = {of_road.bands.road for of_road in maps if at_one_place(of_road) is not None}
        sentences = [road.words + ", most of it at one place" * (road.road in single) for road in roads]
        return Evidence(
            headline=f"{'; '.join(sentences)}.", tables=(_table(roads),), data=roads, drawn=(roads, study.margin, maps)
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """The change by band, and by band and place; of the road that changed most a pair of spectrograms as well."""
        from towertap.compare.sections.thirds import figure, spectrogram

        roads, margin, maps = evidence.drawn
        yield Picture(
            "thirds",
            evidence.headline,
            "Change of the r.m.s. in third-octaves (IEC 61260-1) and, behind them, in wide bands, over the same metres "
            "of road in every pass, with intervals that hold for all bands of the road together (Bonferroni).",
            tuple(figure.panels(roads, margin)),
            evidence.tables[0],
        )
        largest = [most.size if (most := most_changed(of_road.bands)) else 0.0 for of_road in maps]
        for place, of_road in enumerate(maps, start=1):
            pair = place == 1 + largest.index(max(largest)) or not of_road.ratios.size
            yield Picture(
                f"spectrogram_{place}",
                spectrogram.title(of_road),
                THE_PAIR * pair + THE_CHANGE * bool(of_road.ratios.size),
                tuple(spectrogram.panels(of_road, pair)),
                spectrogram.data(of_road, pair),
            )


def first_findings(findings: Sequence[Finding]) -> list[Finding]:
    of_roads = [finding for finding in findings if not finding.over_all]
    return list({finding.road: finding for finding in reversed(of_roads)}.values())[::-1]


def typical_passes(finding: Finding, passes: Sequence[Pass]) -> list[Pass]:
    """The pass of each side whose value is nearest to the side's mean."""
    by_name = {drive.name: drive for drive in passes}
    sides = ((finding.before_values, finding.before), (finding.after_values, finding.after))
    return [by_name[min(of, key=lambda drive: abs(math.log(drive.value / mean))).capture] for of, mean in sides]


def _table(roads: Sequence[RoadBands]) -> Table:
    return tabulate(
        "Bands",
        (
            {
                "road": road.road,
                "band": band.name,
                "before, m/s²": number(band.before),
                "after, m/s²": number(band.after),
                "change": change_percent(band.ratio, band.interval),
                "95 %, all bands together": range_percent(band.interval),
                "shown": ("not judged" if band.judged == "not judged" else SHOWN[band.shown])
                + (", beyond the mounting" if band.beyond else ""),
                "sensor or engine noise, at most": percent(band.noise_share),
            }
            for road in roads
            for band in (*road.thirds, *road.wide)
        ),
        grouped=True,
    )
