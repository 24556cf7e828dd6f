"""Findings in words and as a table: what these drives showed, what that says about the part, what would change it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from towertap.compare.findings.instrument import drowned
from towertap.compare.findings.model import Finding, Spread
from towertap.compare.stats.contrast import Verdict
from towertap.compare.stats.planning import MOST_PASSES
from towertap.words.numbers import change_percent, p_value, range_percent
from towertap.words.phrases import counted, listed, sentence_case
from towertap.words.table import Table, tabulate

WORDS: dict[Verdict, str] = {
    "harsher": "harsher",
    "gentler": "gentler",
    "equivalent": "no change that counts",
    "undecided": "undecided",
}
"""Each verdict as a sentence has it, in the order in which they are told."""
SOURCES = {
    "this set": "measured here",
    "controls": "measured by this vehicle's controls",
    "stated": "stated",
    "assumed": "assumed",
}
"""Whence a spread of installations or days is known."""


def leads(overall: Sequence[Finding], findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """One finding a metric: that over all rough roads, or that on the only one."""
    return tuple(overall or findings)


def findings_table(overall: Sequence[Finding], findings: Sequence[Finding]) -> Table:
    """Every finding in a row, by metric, those over all roads first; p is of the part, after Holm's adjustment."""
    metrics = dict.fromkeys(finding.metric for finding in findings)
    return tabulate(
        "What changed, with 95 % intervals",
        (
            {
                "metric": sentence_case(finding.label),
                "road": finding.road,
                "change": change_percent(finding.ratio, finding.interval),
                "these drives": range_percent(finding.interval),
                "the part": range_percent(finding.part.interval),
                "p": p_value(p_decisive(finding)),
                "verdict": finding.verdict,
            }
            for metric in metrics
            for finding in (*overall, *findings)
            if finding.metric == metric
        ),
        grouped=True,
    )


def p_decisive(finding: Finding) -> float | None:
    """The p of the part that the verdict rests on: of equivalence where that is the verdict, else of a difference."""
    return finding.part.p_equivalence_holm if finding.verdict == "equivalent" else finding.part.p_difference_holm


def describe(finding: Finding, parts: tuple[str, str]) -> str:
    """Three short sentences at most; `parts` are the names before and after."""
    size = change_percent(finding.ratio, finding.interval)
    if finding.interval and not drowned(finding):
        of_part = range_percent(finding.part.interval)
        size += f" ({range_percent(finding.interval)} on these drives, {of_part} of the part)"
    first = f"{sentence_case(finding.label)} on {finding.road}: {WORDS[finding.verdict]}, {size}."
    return " ".join((first, *notes(finding, parts)))


def notes(finding: Finding, parts: tuple[str, str]) -> Iterator[str]:
    """What the numbers of a finding do not say: what would overturn or settle it, and what was left out."""
    yield why_not(finding, parts) or _overturned(finding) or _settled(finding)
    if finding.over_all and finding.roads_differ:
        yield "The roads are shown to differ: each has its own finding."
    elif finding.bursts:
        whose = f", most of it by {listed(finding.loud_passes[:2])}" if finding.loud_passes else ""
        yield f"Left out: {counted(finding.bursts, 'place')} where one pass alone was by far the loudest{whose}."


def notes_together(findings: Sequence[Finding], parts: tuple[str, str]) -> list[str]:
    """Each note once, with the findings that it is of."""
    of_note: dict[str, dict[str, list[str]]] = {}
    for finding in findings:
        for note in notes(finding, parts):
            of_note.setdefault(note, {}).setdefault(finding.label, []).append(finding.road)
    return [
        f"{sentence_case('; '.join(f'{label} on {listed(roads)}' for label, roads in names.items()))}: {note}"
        for note, names in of_note.items()
    ]


def why_not(finding: Finding, parts: tuple[str, str]) -> str:
    """Why nothing can be judged; empty where something can."""
    if drowned(finding):
        share = f"{100 * finding.noise.share if finding.noise else 100:.0f} %"
        return (
            f"It is not judged: {share} of a pass's power is the sensor's own noise. A rougher road or a quieter "
            "sensor can tell; more passes cannot."
        )
    if finding.interval is not None:
        return ""
    if min(finding.passes) < 2:
        driven = f"{counted(finding.passes[0], 'pass')} with {parts[0]}, {finding.passes[1]} with {parts[1]}"
        return f"One pass on a side does not tell a change from chance ({driven}): drive three or more of each."
    return "The passes of a side agree to the last digit, as drives never do: look for copies of one recording."


def in_play(finding: Finding) -> Iterator[tuple[str, Spread]]:
    """What the design leaves in the statement about the part: days, installations, and how far they may differ."""
    if finding.overlap.day_coefficient > 1e-9:
        yield "days", finding.part.day
    if finding.overlap.installation_coefficient > 1e-9:
        yield "installations", finding.part.installation


def _overturned(finding: Finding) -> str:
    """How large a spread of installations or of days would overturn a verdict about the part."""
    limits = [
        f"{name} differ by more than {100 * spread.overturned_at:.0f} % ({100 * spread.sd:.0f} % is "
        f"{SOURCES[spread.source]})"
        for name, spread in in_play(finding)
        if spread.overturned_at is not None and math.isfinite(spread.overturned_at)
    ]
    if finding.verdict == "undecided":
        return ""
    return f"It would not stand if {' or '.join(limits)}." if limits else "Nothing in the design can overturn it."


def _settled(finding: Finding) -> str:
    """What would settle an undecided finding."""
    if finding.on_these_drives != "undecided":
        shown = {"harsher": "more", "gentler": "less"}.get(finding.on_these_drives, "no change that counts")
        return f"These drives show {shown}; whether that is {other_cause(finding)} is not told."
    needed = finding.passes_needed
    many = (
        f"{needed} passes a side would settle it 4 times in 5" if needed else f"even {MOST_PASSES} would not settle it"
    )
    return f"As passes vary, {many}."


def other_cause(finding: Finding) -> str:
    """The part, or what else a difference on these drives may be."""
    other = {"part or day": "the day", "part or installation": "how it was installed"}
    return f"the part or {other.get(finding.about, 'chance')}"
