"""The paragraph of one finding, that a customer understands and a statistician would sign."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from towertap.compare.findings.instrument import drowned
from towertap.compare.findings.model import Finding, Spread
from towertap.compare.stats.contrast import Verdict
from towertap.compare.stats.planning import MOST_PASSES
from towertap.words.phrases import change, counted, listed, p_equals, percents, sentence_case, significant

VERDICTS: tuple[Verdict, ...] = ("harsher", "gentler", "equivalent", "undecided")
DISAGREE = 0.05
"""Blocks are told to disagree where part × block has a smaller p."""
OR_WHAT = {"part or day": "the day", "part or installation": "the way it was installed"}
SOURCES = {
    "this set": "as measured in these drives",
    "controls": "as this vehicle's controls measured",
    "stated": "as stated",
    "assumed": "assumed until a control measures it",
}


def describe(finding: Finding, parts: tuple[str, str]) -> str:
    """What these drives showed, what that says about the part, and what would overturn it; `parts` are the names."""
    return " ".join(_sentences(finding, parts))


def _sentences(finding: Finding, parts: tuple[str, str]) -> Iterator[str]:
    before, after = parts
    yield f"{sentence_case(finding.label)} on {finding.road}: {headline(finding)}."
    if finding.interval is None:
        yield _cannot_tell(finding, parts)
        return
    yield (
        f"These drives: with {after} {change(finding.ratio)} than with {before} over the {finding.basis} "
        f"({significant(finding.after)} against {significant(finding.before)} {finding.unit}; 95 % interval from "
        f"{percents(finding.interval)}; {finding.passes[0]} and {finding.passes[1]} "
        f"{'rounds' if finding.over_all else 'passes'}{_in_blocks(finding)})."
    )
    if drowned(finding):
        yield _drowned(finding)
        return
    yield _about_the_part(finding)
    if finding.verdict == "undecided":
        yield _undecided(finding)
    if finding.over_all and finding.roads_differ:
        yield "The roads are shown to differ, so this one ratio does not stand for each: see the roads' own."
    if finding.over_smooth:
        yield _smooth(finding)
    if finding.bursts:
        whose = f", most of it by {listed(finding.loud_passes[:2])}" if finding.loud_passes else ""
        yield f"Left out: {counted(finding.bursts, 'place')} where one pass alone was by far the loudest{whose}."


def headline(finding: Finding) -> str:
    """The verdict about the part; or what these drives show, and what else it may be."""
    if finding.verdict != "undecided" or finding.on_these_drives == "undecided":
        return finding.verdict
    other = OR_WHAT.get(finding.about, "chance over installations and days")
    seen = {"harsher": "more on these drives", "gentler": "less on these drives"}.get(
        finding.on_these_drives, "no change that counts on these drives"
    )
    return f"undecided, {seen}: the part, or {other}"


def _in_blocks(finding: Finding) -> str:
    if not finding.block_ratios:
        return ""
    ratios = finding.block_ratios
    spelt = listed([change(ratio) for ratio in ratios]) if len(ratios) <= 3 else percents((min(ratios), max(ratios)))
    disagree = finding.p_interaction is not None and finding.p_interaction < DISAGREE
    return f" in {len(ratios)} blocks: {spelt}" + (", which disagree" if disagree else "")


def _about_the_part(finding: Finding) -> str:
    part = finding.part
    if part.interval is None:
        return ""
    p = part.p_equivalence_holm if finding.verdict == "equivalent" else part.p_difference_holm
    interval = part.interval_90 if finding.verdict == "equivalent" else part.interval
    taken = ", ".join(
        f"{name} taken to differ by {100 * spread.sd:.1f} % ({SOURCES[spread.source]})"
        for name, spread, coefficient in _in_play(finding)
        if coefficient > 1e-9
    )
    adjusted = f", {p_equals(p)} after Holm's adjustment for {_family(finding)}" if p is not None else ""
    width = 90 if finding.verdict == "equivalent" else 95
    statement = f"About the part: {width} % interval from {percents(interval or part.interval)}{adjusted}"
    return f"{statement}; {taken}.{_overturned(finding)}" if taken else f"{statement}.{_overturned(finding)}"


def _in_play(finding: Finding) -> Iterator[tuple[str, Spread, float]]:
    yield "installations", finding.part.installation, finding.overlap.installation_coefficient
    yield "days", finding.part.day, finding.overlap.day_coefficient


def _overturned(finding: Finding) -> str:
    """How large a spread of installations or of days would overturn the verdict about the part."""
    limits = [
        f"{name} differ by more than {100 * spread.overturned_at:.0f} %"
        for name, spread, _ in _in_play(finding)
        if spread.overturned_at is not None and math.isfinite(spread.overturned_at)
    ]
    return f" It would not stand if {' or '.join(limits)}." if limits and finding.verdict != "undecided" else ""


def _family(finding: Finding) -> str:
    kind = {None: "", True: " of the primary metric", False: " of secondary metrics"}[finding.primary]
    return f"{counted(finding.family, 'finding')}{kind}"


def _margin(finding: Finding) -> str:
    return f"the margin of {finding.margin * 100:g} %"


def _undecided(finding: Finding) -> str:
    if finding.on_these_drives != "undecided":
        return "More passes of the same kind do not settle it; more installations or days do (towertap plan)."
    needed = finding.passes_needed
    more = f"{needed} passes a side would settle it 4 times in 5"
    return (
        f"The passes neither show a difference nor hold the change inside {_margin(finding)}; this is not evidence "
        f"that nothing changed. As they vary, {more if needed else f'even {MOST_PASSES} would not settle it'}; plan "
        "them as drives of their own: adding passes until a test comes out makes it wrong."
    )


def _drowned(finding: Finding) -> str:
    return (
        f"It is not judged: {100 * finding.noise.share if finding.noise else 100:.0f} % of the power of a pass is the "
        "sensor's own noise, which is the same with either part and drowns what the road makes of them. A rougher "
        "road, a band that ends lower or a quieter sensor can tell; more passes cannot."
    )


def _smooth(finding: Finding) -> str:
    over = finding.over_smooth
    if over is None:
        return ""
    readings = {
        "rough moved more": "so part of the change is the rough roads' own",
        "moved alike": "so box, tyres, weather or day may be the cause, or the part acts there too: a drive with the "
        "old part installed again would tell",
        "smooth moved more": "so the part is not all that changed",
        "smooth held still": "so what changed is the rough roads' own",
        "cannot tell": "which does not settle whether it moved as well",
    }
    return (
        f"The smooth road: {change(over.smooth)}; rough over smooth {change(over.ratio)} (95 % interval from "
        f"{percents(over.interval)}), {readings[over.reading]}."
        if over.interval
        else ""
    )


def _cannot_tell(finding: Finding, parts: tuple[str, str]) -> str:
    if min(finding.passes) < 2:
        return (
            f"Driven: {counted(finding.passes[0], 'pass')} with {parts[0]}, {counted(finding.passes[1], 'pass')} with "
            f"{parts[1]}. A side with one pass does not show how far passes differ with nothing changed, so no change "
            f"can be told from chance, whatever the values (a ratio of {finding.ratio:.2f}). Drive three passes or "
            "more of each."
        )
    return (
        "Passes of one side, or of every block, agree to the last digit; separate drives never do, so they do not show "
        "how far passes differ by chance. Look for copies of one recording."
    )


def summary(findings: Sequence[Finding]) -> str:
    """One sentence a metric: its verdicts, the decided ones first, the roads of each, and how large a difference is."""
    sentences = []
    for metric in dict.fromkeys(finding.metric for finding in findings):
        of_metric = [finding for finding in findings if finding.metric == metric]
        verdicts = [
            f"{kind} on {listed([_where(finding) for finding in of_metric if finding.verdict == kind])}"
            for kind in VERDICTS
            if any(finding.verdict == kind for finding in of_metric)
        ]
        sentences.append(f"{sentence_case(of_metric[0].label)}: {', '.join(verdicts)}.")
    return " ".join(sentences)


def _where(finding: Finding) -> str:
    size = {"undecided": "", "equivalent": f" (× {finding.ratio:.2f}, inside the margin)"}
    return finding.road + size.get(finding.verdict, f" (× {finding.ratio:.2f})")
