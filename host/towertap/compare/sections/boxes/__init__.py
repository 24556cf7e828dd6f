"""The values behind the findings: the passes, over box plots of places and windows."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from towertap.compare.drives.model import SIDES
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import window_values
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.boxes.steps import (
    FORMULA,
    Drawn,
    about_the_part,
    assumed_spread,
    on_these_drives,
    values,
)
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.phrases import counted

HOW_TO_READ = (
    "White points are passes; the verdict is based on them. Boxes: places about a second long, or windows of 1 s "
    "(median, quartiles, whiskers to 1.5 interquartile ranges)."
)


class BoxesSection(Section):
    name = "passes"
    title = "The passes"
    note = FORMULA

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence:
        """The levels behind the findings, the value of each pass, and the steps from there to both statements."""
        drives, on_roads = study.drives, [finding for finding in findings if not finding.over_all]
        smooth = {
            metric: [window_values(drives.of(drives.smooth, side), metric) for side in SIDES] for metric in study.limits
        }
        rough = {
            (road.name, metric): [levels.values(road.of(side)) for side in SIDES]
            for road in study.roads
            for metric, levels in road.rough.items()
        }
        passes = sum(len(road.passes) for road in study.roads)
        return Evidence(
            headline=f"{passes} passes over {counted(len(study.roads), 'rough road')}; the verdicts are based on them.",
            tables=(values(study, on_roads), on_these_drives(findings), about_the_part(findings)),
            paragraphs=(assumed_spread(findings),),
            drawn=Drawn(drives.smooth, dict(study.limits), on_roads, smooth, rough),
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """A picture of the leading metric and one of the others, a panel per metric."""
        from towertap.compare.sections.boxes import figure

        findings = evidence.drawn.findings
        lead = next((finding for finding in findings if finding.primary), findings[0]).metric
        leading = [finding for finding in findings if finding.metric == lead]
        others = [finding for finding in findings if finding.metric != lead]
        for name, drawn, among in (("passes", leading, ""), ("passes_others", others, " of the other metrics")):
            if drawn:
                panels = tuple(figure.panels(replace(evidence.drawn, findings=drawn)))
                yield Picture(name, figure.title(drawn, among), HOW_TO_READ, panels, evidence.tables[0])
