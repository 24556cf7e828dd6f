"""Metrics that are compared not by a ratio of levels but by a difference of means or by counts."""

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
    name = "differences"
    title = "Differences and counts"
    note = (
        "A value that may be zero or negative has no ratio: means over passes are compared by their difference, counts "
        "by the ratio of their rates, both over the road that all passes share. No margin in percent applies, so "
        "nothing here is called the same. How far installations or days differ is not known, so this is about these "
        "drives only. p is after Holm's adjustment over this table."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        differences = differences_of(study)
        rows = [
            {
                "metric": sentence_case(difference.label),
                "road": difference.road,
                **{f"{side}, by pass": ", ".join(map(_brief, values)) for side, values in difference.values.items()},
                "change": difference.words,
                "95 %": interval(difference.interval, 2),
                "p": p_value(difference.p_holm),
            }
            for difference in differences
        ]
        phrases = [f"{difference.label} on {difference.road}: {difference.words}" for difference in differences]
        headline = sentence_case("; ".join(phrases)) + "."
        table = tabulate("By metric and road", rows, grouped=True)
        return Evidence(headline, (table,), data=differences, drawn=differences) if differences else None

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        from towertap.compare.sections.differences import figure

        caption = "Each mark is a pass: its value over the road that all passes share. Lines are the means of a side."
        panels = tuple(figure.panels(evidence.drawn))
        yield Picture(self.name, evidence.headline, caption, panels, evidence.tables[0])


def _brief(value: float) -> str:
    return number(value) if value % 1 else f"{value:.0f}"
