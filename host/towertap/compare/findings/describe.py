"""The verdict of each finding, and the paragraph that a customer understands and a statistician would sign.

Precedence: without an interval, `undecided`. Else `equivalent` when the two one-sided tests hold the ratio inside the
margin, even when a difference is certain (the words say so: real, but too small to count). Else `harsher` or `gentler`
when the difference test does. Else `undecided`; a large p is never taken for "the same". All by the p-values adjusted
over the family. A finding that the sensor's noise drowns is `undecided` before all this.
"""

from __future__ import annotations

from collections.abc import Sequence

from towertap.compare.findings.block_words import by_block, in_blocks
from towertap.compare.findings.instrument import drowned
from towertap.compare.findings.model import Finding, Verdict
from towertap.compare.plan.plan import FELT_PERCENT
from towertap.compare.stats.ratio import Contrast
from towertap.compare.stats.power import MOST_PASSES
from towertap.words.phrases import change, counted, listed, p_equals, sentence_case, significant

FELT_METRICS = ("acceleration_z", "weighted_z", "jerk_z")
"""Those that the literature's felt changes of vertical vibration may be held beside."""
VERDICTS: tuple[Verdict, ...] = ("harsher", "gentler", "equivalent", "undecided")


def verdict(ratio: float, p_difference: float | None, p_equivalence: float | None, alpha: float) -> Verdict:
    """The verdict from the ratio and the adjusted p-values of the difference and the two one-sided tests."""
    if p_difference is None or p_equivalence is None:
        return "undecided"
    if p_equivalence < alpha:
        return "equivalent"
    if p_difference < alpha:
        return "harsher" if ratio > 1 else "gentler"
    return "undecided"


def describe(finding: Finding, parts: tuple[str, str], alpha: float) -> str:
    """The paragraph of one finding; `parts` are the names before and after."""
    before, after = parts
    head = f"{sentence_case(finding.label)} on {finding.road}: {finding.verdict}."
    if finding.interval is None:
        return f"{head} {_cannot_tell(finding, parts)}"
    low, high = finding.interval
    measured = (
        f"With {after} it was {change(finding.ratio)} than with {before} over the {finding.basis} "
        f"({significant(finding.after)} against {significant(finding.before)} {finding.unit}; "
        f"95 % interval from {change(low)} to "
        f"{change(high)}; {finding.passes[0]} and {finding.passes[1]} passes{in_blocks(finding)}).{by_block(finding)}"
    )
    if finding.verdict in ("harsher", "gentler"):
        reading = _different(finding)
    elif finding.verdict == "equivalent":
        reading = _equivalent(finding, alpha)
    else:
        reading = _drowned(finding) if drowned(finding) else _undecided(finding, alpha)
    return " ".join((head, measured, reading, _over_whole_passes(finding)))


def _margin(finding: Finding) -> str:
    top = 1 + finding.margin
    return f"the margin of {finding.margin * 100:g} % (ratios from {1 / top:.3f} to {top:.3f})"


def _adjusted(p: float | None, finding: Finding) -> str:
    """A p-value with what it was adjusted for."""
    return f"{p_equals(p)} after Holm's adjustment for {_family(finding)}"


def _family(finding: Finding) -> str:
    kind = {None: "", True: " of the primary metric", False: " of secondary metrics"}[finding.primary]
    return f"{counted(finding.family, 'finding')}{kind}"


def _different(finding: Finding) -> str:
    low, high = finding.interval or (finding.ratio, finding.ratio)
    beyond = low > 1 + finding.margin or high < 1 / (1 + finding.margin)
    size = "The whole interval lies beyond" if beyond else "The passes do not settle whether it is larger than"
    return (
        f"Chance alone rarely gives a difference this large ({_adjusted(finding.p_difference_holm, finding)}). "
        f"{size} {_margin(finding)}.{_felt(finding)}"
    )


def _felt(finding: Finding) -> str:
    """What is known of the size that people feel; the literature speaks of vertical vibration alone."""
    if finding.metric not in FELT_METRICS or finding.interval is None:
        return ""
    low, high = FELT_PERCENT
    least, most = sorted(100 * abs(end - 1) for end in finding.interval)
    of = " of acceleration, not of jerk," if finding.metric.startswith("jerk") else ""
    return (
        f" For scale: people notice changes{of} of about {low:.0f} to {high:.0f} % on a seat; this is {least:.0f} to "
        f"{most:.0f} % at a hard point of the body, which is no seat."
    )


def _equivalent(finding: Finding, alpha: float) -> str:
    certain = finding.p_difference_holm is not None and finding.p_difference_holm < alpha
    real = " There is a difference, but too small to count by that margin." if certain else ""
    return (
        f"The two one-sided tests ({_adjusted(finding.p_equivalence_holm, finding)}) hold the change inside "
        f"{_margin(finding)}.{real}"
    )


def _undecided(finding: Finding, alpha: float) -> str:
    alone = ""
    if finding.p_difference is not None and finding.p_difference < alpha:
        alone = (
            f"Alone it would pass for a difference ({p_equals(finding.p_difference)}), but among the "
            f"{_family(finding)} looked at some vary as much by chance ({p_equals(finding.p_difference_holm)} after "
            "Holm's adjustment). "
        )
    return (
        f"{alone}The passes neither show a difference nor hold the change inside {_margin(finding)}; this is not "
        f"evidence that nothing changed. {_more_passes(finding)}"
    )


def _drowned(finding: Finding) -> str:
    return (
        f"It is not judged: {100 * finding.noise.share if finding.noise else 100:.0f} % of the power of a pass is the "
        "sensor's own noise, which is the same with either part and drowns what the road makes of them. A rougher "
        "road, a band that ends lower or a quieter sensor can tell; more passes cannot."
    )


def _more_passes(finding: Finding) -> str:
    """How many more would decide; as many on either side."""
    if finding.passes_needed is None:
        return f"At this spread even {MOST_PASSES} passes a side would not settle it: find out why passes differ so."
    passes = max(finding.passes_needed, min(finding.passes) + 1)
    more = passes - min(finding.passes)
    return (
        f"With {counted(more, 'more pass')} on each side, {passes} in all, a change as large as the margin would be "
        "shown, or none at all held inside it, 4 times in 5. Plan them as drives of their own: adding passes until a "
        "test comes out makes it wrong."
    )


def _over_whole_passes(finding: Finding) -> str:
    if finding.whole_because:
        return f"It rests on whole passes because {finding.whole_because}."
    return f"Over whole passes it was {change(finding.whole.ratio)}."


def _cannot_tell(contrast: Contrast, parts: tuple[str, str]) -> str:
    if min(contrast.passes) < 2:
        return (
            f"Driven: {counted(contrast.passes[0], 'pass')} with {parts[0]}, {counted(contrast.passes[1], 'pass')} "
            f"with {parts[1]}. A side with one pass does not show how far passes differ with nothing changed, so no "
            f"change can be told from chance, whatever the values (a ratio of {contrast.ratio:.2f}). Drive three "
            "passes or more of each."
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
