"""Where in frequency a change lies: third-octaves and wide bands, and spectrograms by place."""

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
    "The pass of each side whose value is nearest to the side's mean. If passes are aligned, both pictures show the "
    "same metres of road. "
)
THE_CHANGE = "The change at each place is over all passes; single cells are not tested."

SHOWN = {1: "higher", -1: "lower", 0: "not shown"}


class ThirdsSection(Section):
    name = "thirds"
    title = "Where in frequency"
    note = (
        "This locates a change and decides nothing. The intervals of a road are joint over all its bands at 95 %, so "
        "one band can be singled out although many were looked at. “Not shown” does not mean “no change”. A band is "
        "not judged if noise is more than half of its power with both parts: noise with one part only hides a change, "
        "and cannot cause one."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Every band of every rough road, and typical passes by place and frequency."""
        by_road = {road.name: bands for road in study.roads if (bands := where_the_change_is(road))}
        if not by_road:
            return None
        aligned = {road.name: road.aligned for road in study.roads}
        first_findings = {finding.road: finding for finding in reversed(findings) if not finding.over_all}
        maps = [
            by_place(by_road[finding.road], aligned[finding.road], *typical_passes(finding, study.drives.passes))
            for finding in reversed(first_findings.values())
            if finding.road in by_road
        ]
        roads = list(by_road.values())
        at_one = {road_map.bands.road for road_map in maps if at_one_place(road_map) is not None}
        sentences = [road.words + ", most of it at one place" * (road.road in at_one) for road in roads]
        return Evidence(
            headline=f"{'; '.join(sentences)}.", tables=(_table(roads),), data=roads, drawn=(roads, study.margin, maps)
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """The change by band, and by band and place; the road that changed most also gets a pair of spectrograms."""
        from towertap.compare.sections.thirds import figure, spectrogram

        roads, margin, maps = evidence.drawn
        yield Picture(
            "thirds",
            evidence.headline,
            "Change of the r.m.s. in third-octaves (IEC 61260-1) and, behind them, in wide bands, over the same metres "
            "of road in every pass. Intervals are joint over all bands of the road (Bonferroni).",
            tuple(figure.panels(roads, margin)),
            evidence.tables[0],
        )
        largest = [most.size if (most := most_changed(road_map.bands)) else 0.0 for road_map in maps]
        for rank, road_map in enumerate(maps, start=1):
            has_pair = rank == 1 + largest.index(max(largest)) or not road_map.ratios.size
            yield Picture(
                f"spectrogram_{rank}",
                spectrogram.title(road_map),
                THE_PAIR * has_pair + THE_CHANGE * bool(road_map.ratios.size),
                tuple(spectrogram.panels(road_map, has_pair)),
                spectrogram.data(road_map, has_pair),
            )


def typical_passes(finding: Finding, passes: Sequence[Pass]) -> list[Pass]:
    """The pass of each side whose value is nearest to the side's mean."""
    by_name = {drive.name: drive for drive in passes}
    sides = ((finding.before_values, finding.before), (finding.after_values, finding.after))
    nearest = [min(values, key=lambda drive: abs(math.log(drive.value / mean))) for values, mean in sides]
    return [by_name[drive.capture] for drive in nearest]


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
