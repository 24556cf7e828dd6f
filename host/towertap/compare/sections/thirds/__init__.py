"""Where in frequency a change lies: third-octaves and wide bands, and by place as a pair of spectrograms."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.thirds.bands import RoadBands, where_the_change_is
from towertap.compare.sections.thirds.by_place import by_place
from towertap.compare.sections.traces import first_findings, typical_passes
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import interval, number, percent
from towertap.words.table import Table, tabulate

SHOWN = {1: "higher", -1: "lower", 0: "not shown"}


class ThirdsSection(Section):
    """Third-octaves locate a change and decide nothing."""

    name = "thirds"
    title = "Where in frequency"
    note = (
        "It locates a change and decides nothing: that is for the findings alone. The intervals of a road hold all its "
        "bands together at 95 %, so that a band may be pointed at although so many were looked at; they are wider than "
        "that of a finding, which stands for few. An interval that includes 1 means “not shown”, never “no change”."
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
        return Evidence(
            headline=_headline(roads),
            paragraphs=tuple(road.words for road in roads),
            tables=(_table(roads),),
            data=roads,
            drawn=(roads, study.margin, maps),
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """The ratio by band, and a pair of spectrograms a road."""
        from towertap.compare.sections.thirds import figure, spectrogram

        roads, margin, maps = evidence.drawn
        yield Picture(
            "thirds",
            figure.draw(roads, margin),
            "Ratio of after to before of the root mean square in third-octaves (IEC 61260-1) and, behind them, in the "
            "wide bands, over the same metres of road in every pass, rough or not (what is below 5 Hz is in the table "
            "alone). Lines are intervals over passes that hold together for all bands of the road: on logarithms, each "
            "at its part of 5 % (Bonferroni), of Welch's kind or, where blocks decide, the additive model's.",
        )
        for place, of_road in enumerate(maps, start=1):
            yield Picture(
                f"spectrogram_{place}",
                spectrogram.draw(of_road),
                "The pass of each side whose value is nearest to that side's mean, on one scale of colours, in "
                "third-octaves and tenths of a second; where the passes are aligned, the same metre of road stands "
                "above itself. A third-octave answers in about the time of one over its width, so the lowest are "
                "smeared over a second. One pass shows what the signal is like, not what the part does; the ratio "
                "beneath, place by place, is of all passes, and its single fields are not tested.",
            )


def _headline(roads: Sequence[RoadBands]) -> str:
    shown = [road.road for road in roads if any(band.shown for band in (*road.thirds, *road.wide))]
    if not shown:
        return "No band shows a change by itself, which is no evidence that there is none."
    return f"Bands that changed are shown on {', '.join(shown)}."


def _table(roads: Sequence[RoadBands]) -> Table:
    return tabulate(
        "Bands",
        (
            {
                "road": road.road,
                "band": band.name,
                "before, m/s²": number(band.before),
                "after, m/s²": number(band.after),
                "ratio": number(band.ratio),
                "interval, all together 95 %": interval(band.interval),
                "change": ("not judged" if band.judged == "not judged" else SHOWN[band.shown])
                + (", beyond the mounting" if band.beyond else ""),
                "sensor noise, at most": percent(band.noise_share),
            }
            for road in roads
            for band in (*road.thirds, *road.wide)
        ),
    )
