"""Metrics that are not compared by a ratio of levels: by the difference of means over passes, or by counts."""

from collections.abc import Iterable, Sequence

from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.differences.effects import differences_of
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import interval, number, p_value
from towertap.words.phrases import sentence_case
from towertap.words.table import tabulate


class DifferencesSection(Section):
    """Metrics asked for whose rule is the difference, or the count."""

    name = "differences"
    title = "Differences and counts"
    note = (
        "A value that may be nought or negative has no ratio: means over passes are compared by their difference, "
        "counts by the ratio of their rates, both over the road that all passes share. No margin in percent holds for "
        "them, so nothing here is called the same; and how far installations or days differ in them is not known, so "
        "this is about these drives. p is after Holm's adjustment over this table."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        differences = differences_of(study)
        rows = [
            {
                "metric": sentence_case(difference.label),
                "road": difference.road,
                **{f"{side}, by pass": ", ".join(map(_brief, of)) for side, of in difference.values.items()},
                "change": difference.words,
                "95 %": interval(difference.interval, 2),
                "p": p_value(difference.p_holm),
            }
            for difference in differences
        ]
        headline = sentence_case("; ".join(f"{of.label} on {of.road}: {of.words}" for of in differences)) + "."
        table = tabulate("By metric and road", rows, grouped=True)
        return Evidence(headline, (table,), data=differences, drawn=differences) if differences else None

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """A panel a metric."""
        from towertap.compare.sections.differences import figure

        caption = "A mark a pass, its value over the road that all passes share; the lines are means of a side."
        panels = tuple(figure.panels(evidence.drawn))
        yield Picture(self.name, evidence.headline, caption, panels, evidence.tables[0])


def _brief(value: float) -> str:
    return number(value) if value % 1 else f"{value:.0f}"
