"""The report page: a template filled from a comparison, with pictures as SVG."""

from collections import Counter
from collections.abc import Mapping, Sequence

from towertap.compare.caution import Weight
from towertap.compare.comparison import Comparison
from towertap.compare.drives.model import Drives
from towertap.compare.findings.describe import WORDS, findings_table, notes_together, verdict_of
from towertap.compare.findings.model import Finding
from towertap.compare.sections import SECTIONS
from towertap.drawing.picture import DrawnPicture
from towertap.report import run_sheet
from towertap.report.driven import driven
from towertap.report.templates import page_of
from towertap.words.phrases import counted

UP_FRONT = "passes"
"""The section whose first picture comes before the folds."""
MOST_CAUTIONS = 4
"""Weakening cautions shown in addition to the answer's own; the others go into a fold."""


def render(
    comparison: Comparison,
    findings: DrawnPicture,
    pictures: Mapping[str, Sequence[DrawnPicture]],
    sounds: Mapping[str, str] | None = None,
    notices: Sequence[str] = (),
    full: bool = False,
) -> str:
    """Fill the template, escaping all user text.

    `pictures` are those of each section, `sounds` paths relative to the page, by the name of their picture.
    """
    others = [caution for caution in comparison.cautions if caution.words not in comparison.answer.cautions]
    shown = [caution for caution in others if caution.weight > Weight.LIMITS][:MOST_CAUTIONS]
    differing, alike = driven(comparison)
    not_as_planned = f"Not as planned in {counted(len(comparison.departures), 'point')}."
    return page_of(
        "report.html.j2",
        comparison=comparison,
        answer=comparison.answer,
        tone=verdict_of(comparison.answer.verdict),
        lead=comparison.lead,
        head=_head(comparison.drives),
        findings=findings,
        sounds=sounds or {},
        table=findings_table(comparison.overall, comparison.findings),
        notes=notes_together(comparison.all),
        verdicts=_verdicts(comparison.all),
        up_front=pictures.get(UP_FRONT, ())[:1],
        differing=differing,
        alike=alike,
        cautions=[caution.words for caution in shown],
        further=[caution.words for caution in others if caution not in shown],
        evidence=[
            (section, comparison.evidence[section.name], pictures[section.name][section.name == UP_FRONT :])
            for section in SECTIONS
            if section.name in comparison.evidence
        ],
        plan_kept=not_as_planned if comparison.departures else "Driven and compared as planned.",
        plan_facts=run_sheet.facts(comparison.plan) if comparison.plan else [],
        by_block=any(finding.block_ratios for finding in comparison),
        notices=notices,
        full=full,
    )


def _verdicts(findings: Sequence[Finding]) -> str:
    """How many findings have each verdict."""
    count = Counter(finding.verdict for finding in findings)
    return f"{', '.join(f'{count[verdict]} {words}' for verdict, words in WORDS.items() if count[verdict])}."


def _head(drives: Drives) -> list[str]:
    """Vehicles, first and last date, for the line above the answer."""
    vehicles = dict.fromkeys(drive.conditions.vehicle for drive in drives.passes if drive.conditions.vehicle)
    dates = sorted({f"{drive.started:%Y-%m-%d}" for drive in drives.passes if drive.started})
    return [*vehicles, *dict.fromkeys([dates[0], dates[-1]] if dates else [])]
