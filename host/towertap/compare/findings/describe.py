"""The paragraph of one finding, that a customer understands and a statistician would sign."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from towertap.compare.findings.instrument import drowned
from towertap.compare.findings.model import Finding, OverSmooth, Spread
from towertap.compare.stats.contrast import Verdict
from towertap.compare.stats.planning import MOST_PASSES
from towertap.words.phrases import change, counted, listed, p_equals, percents, sentence_case, significant

VERDICTS: tuple[Verdict, ...] = ("harsher", "gentler", "equivalent", "undecided")
DISAGREE = 0.05
"""Blocks are told to disagree where part × block has a smaller p."""
OR_WHAT = {
    "part or day": "the day",
    "part or installation": "the way it was installed",
    "part": "chance over installations and days",
}
SOURCES = {
    "this set": "as measured in these drives",
    "controls": "as this vehicle's controls measured",
    "stated": "as stated",
    "assumed": "assumed until a control measures it",
}
READINGS = {
    "rough moved more": "so part of the change is the rough roads' own",
    "moved alike": "so box, tyres, weather or day may be the cause, or the part acts there too: a drive with the old "
    "part installed again would tell",
    "smooth moved more": "so the part is not all that changed",
    "smooth held still": "so what changed is the rough roads' own",
    "cannot tell": "which does not settle whether it moved as well",
}
CANCELLED = 1e-9
"""A spread with a smaller coefficient is not in the error."""


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
        f"{percents(finding.interval)}; {finding.passes[0]} and {finding.passes[1]} {_units(finding)}"
        f"{_in_blocks(finding)})."
    )
    if finding.not_one_road:
        yield f"It is not judged: {finding.not_one_road}."
        return
    if drowned(finding.noise):
        yield _drowned(finding)
        return
    yield _about_the_part(finding)
    if finding.verdict == "undecided":
        yield _undecided(finding)
    if finding.over_all and finding.roads_differ:
        yield "The roads are shown to differ, so this one ratio does not stand for each: see the roads' own."
    if finding.over_smooth:
        yield _smooth(finding.over_smooth)
    if finding.bursts:
        whose = f", most of it by {listed(finding.loud_passes[:2])}" if finding.loud_passes else ""
        yield f"Left out: {counted(finding.bursts, 'place')} where one pass alone was by far the loudest{whose}."


def headline(finding: Finding) -> str:
    """The verdict about the part; or what these drives show, and what else it may be."""
    alike = finding.over_smooth is not None and finding.over_smooth.reading == "moved alike"
    other = "box, tyres, weather or day, for the smooth road moved alike" if alike else OR_WHAT[finding.overlap.about]
    if finding.verdict == "undecided":
        leads = {
            "harsher": f"undecided, more on these drives: the part, or {other}",
            "gentler": f"undecided, less on these drives: the part, or {other}",
            "equivalent": f"undecided, no change that counts on these drives, but it may be hidden by {other}",
        }
        return leads.get(finding.on_these_drives, "undecided")
    if alike and finding.verdict != "equivalent":
        return f"{finding.verdict}, by the part, or by {other}"
    return finding.verdict


def _units(finding: Finding) -> str:
    return "rounds" if finding.over_all else "passes"


def _in_blocks(finding: Finding) -> str:
    if not finding.block_ratios:
        return ""
    ratios = finding.block_ratios
    spelt = listed([change(ratio) for ratio in ratios]) if len(ratios) <= 3 else percents((min(ratios), max(ratios)))
    disagree = finding.p_interaction is not None and finding.p_interaction < DISAGREE
    return f" in {len(ratios)} blocks: {spelt}" + (", which disagree" if disagree else "")


def _about_the_part(finding: Finding) -> str:
    """The interval about the part, the p that decides, and which spreads are in it."""
    part = finding.part
    equivalent = finding.verdict == "equivalent"
    interval = part.interval_90 if equivalent else part.interval
    p = part.p_equivalence_holm if equivalent else part.p_difference_holm
    if interval is None or p is None:
        return ""
    told = f"p ≤ {p:g}" if p <= part.least_p else p_equals(p)
    adjusted = f"{told} after Holm's adjustment for {_family(finding)}" if finding.family > 1 else told
    taken = [
        f"{name} taken to differ by {100 * spread.sd:.1f} % ({SOURCES[spread.source]})"
        for name, spread, coefficient in _spreads(finding)
        if coefficient > CANCELLED
    ]
    statement = f"About the part: {90 if equivalent else 95} % interval from {percents(interval)}, {adjusted}"
    return "; ".join([statement, *taken]) + "." + _overturned(finding)


def _spreads(finding: Finding) -> Iterator[tuple[str, Spread, float]]:
    yield "installations", finding.part.installation, finding.overlap.installation_coefficient
    yield "days", finding.part.day, finding.overlap.day_coefficient


def _overturned(finding: Finding) -> str:
    """How large a spread of installations or of days would overturn the verdict about the part."""
    limits = [
        f"{name} differ by more than {100 * spread.overturned_at:.0f} %"
        for name, spread, _ in _spreads(finding)
        if spread.overturned_at is not None and math.isfinite(spread.overturned_at)
    ]
    return f" It would not stand if {' or '.join(limits)}." if limits and finding.verdict != "undecided" else ""


def _family(finding: Finding) -> str:
    kind = {None: "", True: " of the primary metric", False: " of secondary metrics"}[finding.primary]
    return f"{counted(finding.family, 'finding')}{kind}"


def _undecided(finding: Finding) -> str:
    if finding.on_these_drives != "undecided":
        return "More passes of the same kind do not settle it; more installations or days do (towertap plan)."
    units = _units(finding)
    more = f"even {MOST_PASSES} {units} a side would not settle it"
    if finding.passes_needed is not None and finding.assurance is not None:
        more = (
            f"{finding.passes_needed} {units} a side would settle it 4 times in 5 "
            f"({100 * finding.assurance:.0f} % over all that their spread may be)"
        )
    return (
        f"The {units} neither show a difference nor hold the change inside the margin of {finding.margin * 100:g} %; "
        f"this is not evidence that nothing changed. As they vary, {more}; plan them as drives of their own: adding "
        "passes until a test comes out makes it wrong."
    )


def _drowned(finding: Finding) -> str:
    noise = finding.noise
    quieter = "a quieter engine" if noise and noise.of == "idle" else "a quieter sensor"
    return (
        f"It is not judged: {100 * noise.share if noise else 100:.0f} % of the power of a pass is "
        f"{noise.source if noise else 'noise'}, which is the same with either part and drowns what the road makes of "
        f"them. A rougher road, a band that ends lower or {quieter} can tell; more passes cannot."
    )


def _smooth(over: OverSmooth) -> str:
    return (
        f"The smooth road: {change(over.smooth)}; rough over smooth {change(over.ratio)} (95 % interval from "
        f"{percents(over.interval)}), {READINGS[over.reading]}."
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
    """One sentence a metric: what is said of which roads, the decided ones first, and how large a difference is."""
    sentences = []
    for metric in dict.fromkeys(finding.metric for finding in findings):
        of_metric = sorted(
            (finding for finding in findings if finding.metric == metric),
            key=lambda finding: VERDICTS.index(finding.verdict),
        )
        said: dict[str, list[str]] = {}
        for finding in of_metric:
            said.setdefault(headline(finding), []).append(_where(finding))
        clauses = [_clause(head, roads) for head, roads in said.items()]
        joint = "; " if any(", " in head for head in said) else ", "
        sentences.append(f"{sentence_case(of_metric[0].label)}: {joint.join(clauses)}.")
    return " ".join(sentences)


def _clause(head: str, roads: Sequence[str]) -> str:
    """A headline with the roads that it holds for behind its verdict."""
    verdict, comma, rest = head.partition(", ")
    return f"{verdict} on {listed(roads)}{comma}{rest}"


def _where(finding: Finding) -> str:
    inside = ", inside the margin" if finding.on_these_drives == "equivalent" else ""
    size = "" if finding.on_these_drives == "undecided" else f" (× {finding.ratio:.2f}{inside})"
    return finding.road + size
