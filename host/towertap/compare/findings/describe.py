"""Findings in words and as a table: what these drives showed, what that says about the part, what would change it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from towertap.compare.findings.model import Finding, Spread
from towertap.compare.stats.contrast import ALPHA, Verdict
from towertap.compare.stats.design import About
from towertap.compare.stats.planning import MOST_PASSES
from towertap.words.numbers import change_percent, p_value, percent, range_percent
from towertap.words.phrases import counted, listed, sentence_case
from towertap.words.table import Table, tabulate

if TYPE_CHECKING:
    from towertap.bench.sharing import Share

WORDS: dict[Verdict, str] = {
    "harsher": "harsher",
    "gentler": "gentler",
    "equivalent": "no change that counts",
    "undecided": "undecided",
}
"""Each verdict in a sentence, in the order in which they are reported."""
SOURCES = {
    "this set": "measured here",
    "controls": "measured by this vehicle's controls",
    "stated": "stated",
    "assumed": "assumed",
    "installations": "measured with installations",
}
"""Where a spread of installations or days is known from."""
OTHER_CAUSES: dict[About, str] = {
    "part or day": "the day",
    "part or installation": "how it was installed",
    "part": "chance over installations and days",
}
"""What a change on these drives may come from other than the part."""
CANCELLED = 1e-9
"""A spread with a smaller coefficient does not enter the error."""


def verdict_of(words: str) -> Verdict:
    """The verdict with these words; undecided for any other words, such as those of roads that differ."""
    return next((verdict for verdict, own in WORDS.items() if own == words), "undecided")


def findings_table(overall: Sequence[Finding], findings: Sequence[Finding]) -> Table:
    """A row per finding, by metric, those over all roads first; p is of the part, after Holm's adjustment."""
    has_equivalent = any(finding.verdict == "equivalent" for finding in (*overall, *findings))
    return tabulate(
        f"What changed, with 95 % intervals{' (equivalent, no change that counts: 90 %)' if has_equivalent else ''}",
        (
            {
                "metric": sentence_case(finding.label),
                "road": finding.road,
                "change": change_percent(finding.ratio, finding.interval),
                "these drives": range_percent(finding.interval),
                "the part": range_percent(interval_of_part(finding)),
                "p": p_value(p_decisive(finding), finding.part.least_p),
                "verdict": finding.verdict,
            }
            for group in by_metric((*overall, *findings))
            for finding in group
        ),
        grouped=True,
    )


def by_metric(findings: Iterable[Finding]) -> list[list[Finding]]:
    """The findings of each metric, in order of first appearance."""
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.metric, []).append(finding)
    return list(groups.values())


def interval_of_part(finding: Finding) -> tuple[float, float] | None:
    """The interval of the part that decides: 90 % for no change that counts, else 95 %."""
    return finding.part.interval_90 if finding.verdict == "equivalent" else finding.part.interval


def p_decisive(finding: Finding) -> float | None:
    """The p of the part that decides: of equivalence if that is the verdict, else of a difference."""
    return finding.part.p_equivalence_holm if finding.verdict == "equivalent" else finding.part.p_difference_holm


def describe(finding: Finding) -> str:
    """At most three short sentences."""
    size = change_percent(finding.ratio, finding.interval)
    if is_judged(finding):
        part = f"{range_percent(finding.part.interval)} of the part"
        if finding.verdict == "equivalent":
            part += f", {range_percent(finding.part.interval_90)} at 90 %, which decides"
        size += f" ({range_percent(finding.interval)} on these drives, {part})"
    first = f"{sentence_case(finding.label)} on {finding.road}: {WORDS[finding.verdict]}, {size}."
    return " ".join((first, *notes(finding)))


def notes(finding: Finding) -> Iterator[str]:
    """What a finding's numbers do not say: what would overturn or settle it, and what was left out."""
    yield why_not(finding) or _overturned(finding) or _settled(finding)
    if finding.over_all and finding.roads_differ:
        yield "The roads are shown to differ: each has its own finding."
    elif finding.bursts:
        whose = f", most of it by {listed(finding.loud_passes[:2])}" if finding.loud_passes else ""
        yield f"Left out: {counted(finding.bursts, 'place')} where one pass alone was by far the loudest{whose}."


def notes_together(findings: Sequence[Finding]) -> list[str]:
    """Each note once, prefixed with the findings that it belongs to."""
    by_note: dict[str, list[Finding]] = {}
    for finding in findings:
        for note in notes(finding):
            by_note.setdefault(note, []).append(finding)
    return [f"{which(concerned, findings)}{note}" for note, concerned in by_note.items()]


def which(some: Sequence[Finding], findings: Sequence[Finding]) -> str:
    """A prefix that says which of the `findings` a sentence is about: roads, or metrics, named alone if complete."""
    roads = list(dict.fromkeys(finding.road for finding in some))
    if some == [finding for finding in findings if finding.road in roads]:
        return f"On {listed(roads)}: "
    names = []
    for group in by_metric(some):
        every = len(group) == sum(finding.metric == group[0].metric for finding in findings)
        names.append(group[0].label + ("" if every else f" on {listed([finding.road for finding in group])}"))
    return f"{sentence_case(listed(names))}: "


def is_judged(finding: Finding) -> bool:
    """Whether a verdict was possible, whatever it is."""
    return finding.interval is not None and not (finding.noise and finding.noise.drowns) and not finding.not_one_road


def why_not(finding: Finding) -> str:
    """Why nothing can be judged; empty if something can."""
    if is_judged(finding):
        return ""
    if finding.not_one_road:
        return f"It is not judged: {finding.not_one_road}."
    if finding.noise and finding.noise.drowns:
        return (
            f"It is not judged: {100 * finding.noise.share:.0f} % of a pass's power is {finding.noise.source}, the "
            f"same with either part. A rougher road, a band that ends lower or {quieter(finding.noise)} can help; more "
            "passes cannot."
        )
    if min(finding.passes) < 2:
        driven = f"{counted(finding.passes[0], 'pass')} before, {finding.passes[1]} after"
        return f"One pass on a side does not tell a change from chance ({driven}): drive three or more of each."
    return "The passes of a side agree to the last digit, as drives never do: look for copies of one recording."


def quieter(noise: Share) -> str:
    """What would make the noise smaller against the road."""
    return "a quieter engine" if noise.of == "idle" else "a quieter sensor"


def in_play(finding: Finding) -> Iterator[tuple[str, Spread]]:
    """The spreads that the design leaves in the statement about the part: days, installations."""
    if finding.overlap.day_coefficient > CANCELLED:
        yield "days", finding.part.day
    if finding.overlap.installation_coefficient > CANCELLED:
        yield "installations", finding.part.installation


def _overturned(finding: Finding) -> str:
    """The spread of installations or of days that would overturn a verdict about the part."""
    limits = [
        f"{name} differ by more than {100 * spread.overturned_at:.0f} % ({100 * spread.sd:.0f} % is "
        f"{SOURCES[spread.source]})"
        for name, spread in in_play(finding)
        if spread.overturned_at is not None and math.isfinite(spread.overturned_at)
    ]
    if finding.verdict == "undecided":
        return ""
    return f"It would not stand if {' or '.join(limits)}." if limits else "Nothing in the design can overturn it."


def lost_to_holm(finding: Finding) -> str:
    """Why a part's interval that excludes "no change" shows none: it is one finding of several; else empty."""
    interval, p = finding.part.interval, finding.part.p_difference_holm
    if finding.verdict != "undecided" or interval is None or interval[0] <= 1 <= interval[1] or p is None or p < ALPHA:
        return ""
    return f"shows no change after allowing for {counted(finding.family, 'finding')} (p {p_value(p)})"


def _settled(finding: Finding) -> str:
    """What would settle an undecided finding."""
    if reason := lost_to_holm(finding):
        return f"The interval holds for this finding alone: it {reason}."
    if finding.on_these_drives != "undecided":
        more = "more passes of the same kind do not settle it, more installations or days do"
        if finding.on_these_drives == "equivalent":
            within = f"On these drives the change is within ±{100 * finding.margin:g} %"
            return f"{within}, which may hide {other_cause(finding)}; {more}."
        shown = {"harsher": "more", "gentler": "less"}[finding.on_these_drives]
        return f"These drives show {shown}: {other_cause(finding)}; {more}."
    needed, units = finding.passes_needed, "rounds" if finding.over_all else "passes"
    power = f"even {MOST_PASSES} {units} per side would not settle it"
    if needed is not None and finding.assurance is not None:
        power = (
            f"{needed} {units} per side would settle it 4 times in 5 ({percent(finding.assurance)} over all that their "
            "spread may be)"
        )
    return f"As passes vary, {power}; plan them as a new set of drives. It is not evidence that nothing changed."


def other_cause(finding: Finding) -> str:
    """What a difference on these drives may come from: the part, or what else."""
    if finding.over_smooth is not None and finding.over_smooth.reading == "moved alike":
        return "the part, or box, tyres, weather or day, since the smooth road moved as well"
    return f"the part or {OTHER_CAUSES[finding.overlap.about]}"
