"""The smooth road, which should hardly change and must lie below the rough ones."""

from __future__ import annotations

from collections.abc import Sequence

from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.smooth.changes import (
    RoughAgainstSmooth,
    moved_as_well,
    refuse_rough_as_smooth,
    rough_against_smooth,
    smooth_changes,
)
from towertap.compare.study import Study
from towertap.words.numbers import interval, number
from towertap.words.phrases import sentence_case
from towertap.words.table import Table, tabulate


class SmoothSection(Section):
    """Does the instrument tell rough from smooth, and did the smooth road move as well?"""

    name = "smooth"
    title = "The smooth road"
    note = (
        "A rough road must come out above the smooth one with either part, or the roughness limit means little. Whole "
        "passes, smooth stretches and all."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence:
        """Whole passes over the smooth road after against before, and each rough road against it."""
        smooth, changes, apart = study.drives.smooth, smooth_changes(study), rough_against_smooth(study)
        refuse_rough_as_smooth(study.drives, apart)
        return Evidence(
            headline=_headline(smooth, apart),
            paragraphs=tuple(f"{smooth}: {sentence_case(change.words)}." for change in changes),
            tables=(_table(study, apart),) if apart else (),
            warnings=(
                *(entry.words for entry in apart if entry.distinct is False),
                *moved_as_well(smooth, changes),
            ),
            data={"changes": changes, "rough_against_smooth": apart},
        )


def _headline(smooth: str, apart: Sequence[RoughAgainstSmooth]) -> str:
    if not apart:
        return f"No part was driven over both a rough road and {smooth}, so nothing shows that they are told apart."
    alike = dict.fromkeys(entry.road for entry in apart if not entry.distinct)
    if not alike:
        return f"Every rough road is told from {smooth} with either part, in every metric."
    return f"Not told from {smooth} in every metric and with either part: {', '.join(alike)}."


def _table(study: Study, apart: Sequence[RoughAgainstSmooth]) -> Table:
    distinct = {True: "yes", False: "no", None: "too few passes to say"}
    return tabulate(
        "Rough roads against the smooth one",
        (
            {
                "road": entry.road,
                "metric": study.labels[entry.metric],
                "part": entry.part,
                "× the smooth road": number(entry.ratio),
                "95 % interval": interval(entry.interval),
                "told apart": "no: smoother" if entry.interval and entry.interval[1] < 1 else distinct[entry.distinct],
            }
            for entry in apart
        ),
    )
