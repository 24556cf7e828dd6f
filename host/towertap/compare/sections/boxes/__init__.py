"""What the findings rest on, as box plots of windows and places with the passes over them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from numpy.typing import NDArray

from towertap.compare.drives.model import SIDES
from towertap.compare.findings.model import Finding
from towertap.compare.road.rough import window_values
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.boxes.levels import Drawn, Levels
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import number
from towertap.words.table import Table, tabulate


class BoxesSection(Section):
    """Levels of places and windows, and the value of each pass."""

    name = "passes"
    title = "The places and the passes"

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence:
        """The levels that findings rest on, and each pass's own value."""
        drives = study.drives
        smooth = {
            metric: _pair(window_values(drives.of(drives.smooth, side), metric) for side in SIDES)
            for metric in study.limits
        }
        rough = {
            (road.name, metric): _pair(levels.values(road.of(side)) for side in SIDES)
            for road in study.roads
            for metric, levels in road.rough.items()
        }
        passes = sum(len(road.passes) for road in study.roads)
        return Evidence(
            headline=f"{passes} passes over {len(study.roads)} rough roads; the pass is the unit.",
            tables=(_table(findings),),
            drawn=Drawn(drives, dict(study.limits), findings, smooth, rough),
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """One panel a metric."""
        from towertap.compare.sections.boxes import figure

        yield Picture(
            "boxes",
            figure.draw(evidence.drawn),
            "Places about a second long, or windows of 1 s: median, quartiles, whiskers to the last one within 1.5 "
            "interquartile ranges, outliers as dots. Rough roads show those that the finding rests on, the smooth road "
            "all of its own; the roughness limit is dotted. White points are passes; the verdict rests on them, not on "
            "the boxes. The scale is logarithmic: equal steps are equal ratios.",
        )


def _pair(levels: Iterable[NDArray]) -> Levels:
    before, after = levels
    return before, after


def _table(findings: Sequence[Finding]) -> Table:
    return tabulate(
        "The value of each pass (r.m.s.)",
        (
            {
                "road": finding.road,
                "metric": finding.metric,
                "pass": drive.capture,
                "rests on": f"{number(drive.value)} {finding.unit}",
                "over the whole pass": f"{number(drive.whole)} {finding.unit}",
                "rough places": "–" if finding.whole_because else f"{drive.rough_places} of {drive.places}",
            }
            for finding in findings
            for drive in (*finding.before_values, *finding.after_values)
        ),
    )
