"""The verdict of each finding, and the paragraph that a customer understands and a statistician would sign.

Precedence: without an interval, `undecided`. Else `equivalent` when the two one-sided tests hold the ratio inside the
margin, even when a difference is certain (the words say so: real, but too small to count). Else `harsher` or `gentler`
when the difference test does. Else `undecided`; a large p is never taken for "the same". All by the p-values adjusted
over the family. A finding that the sensor's noise drowns is `undecided` before all this.
"""

from __future__ import annotations

from collections.abc import Sequence

from towertap.compare.block_words import by_block, in_blocks
from towertap.compare.instrument import drowned
from towertap.compare.model import Contrast, Finding, Verdict
from towertap.compare.phrases import change, figure, listed
from towertap.compare.plan import FELT_PERCENT
from towertap.compare.power import MOST_PASSES
from towertap.compare.resampling import least_p

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
    head = f"{finding.label[:1].upper()}{finding.label[1:]} on {finding.road}: {finding.verdict}."
    if finding.interval is None:
        return f"{head} {_cannot_tell(finding, parts)}"
    low, high = finding.interval
    measured = (
        f"With {after} it was {change(finding.ratio)} than with {before} over the {finding.basis} "
        f"({figure(finding.after)} against {figure(finding.before)} {finding.unit}; "
        f"95 % interval from {change(low)} to "
        f"{change(high)}; {finding.passes[0]} and {finding.passes[1]} passes{in_blocks(finding)}).{by_block(finding)}"
    )
    reading = {
        "harsher": _different,
        "gentler": _different,
        "equivalent": _equivalent,
        "undecided": _drowned if drowned(finding) else _undecided,
    }[finding.verdict]
    return " ".join((head, measured, reading(finding, alpha), _cross_check(finding)))


def _margin(finding: Finding) -> str:
    top = 1 + finding.margin
    return f"the margin of {finding.margin * 100:g} % (ratios from {1 / top:.3f} to {top:.3f})"


def _adjusted(p: float | None, finding: Finding) -> str:
    """A p-value with what it was adjusted for."""
    return f"{_p(p)} after Holm's adjustment for {_family(finding)}"


def _family(finding: Finding) -> str:
    kind = {None: "", True: " of the primary metric", False: " of secondary metrics"}[finding.primary]
    return f"{finding.family} finding{'' if finding.family == 1 else 's'}{kind}"


def _p(p: float | None) -> str:
    """To two significant digits, trailing noughts and all."""
    return "p < 0.0001" if p is not None and p < 0.0001 else f"p = {p:#.2g}"


def _different(finding: Finding, alpha: float) -> str:
    low, high = finding.interval or (finding.ratio, finding.ratio)
    beyond = low > 1 + finding.margin or high < 1 / (1 + finding.margin)
    size = "The whole interval lies beyond" if beyond else "The passes do not settle whether it is larger than"
    return (
        "Passes that differ only by chance would seldom come out this far apart "
        f"({_adjusted(finding.p_difference_holm, finding)}). {size} {_margin(finding)}.{_felt(finding)}"
    )


def _felt(finding: Finding) -> str:
    """What is known of the size that people feel; the literature speaks of vertical vibration alone."""
    if finding.metric not in FELT_METRICS or finding.interval is None:
        return ""
    low, high = FELT_PERCENT
    least, most = sorted(100 * abs(end - 1) for end in finding.interval)
    of = "medians of acceleration, not of jerk," if finding.metric.startswith("jerk") else "medians,"
    return (
        f" For scale: its interval is {least / high:.1f} to {most / low:.1f} times the {low:.1f} to {high:.1f} % by "
        f"which vertical vibration on a seat must change to be just felt ({of} and a hard point is no seat)."
    )


def _equivalent(finding: Finding, alpha: float) -> str:
    certain = finding.p_difference_holm is not None and finding.p_difference_holm < alpha
    real = " A difference there is, but too small to count by that margin." if certain else ""
    return (
        f"The two one-sided tests ({_adjusted(finding.p_equivalence_holm, finding)}) hold the change inside "
        f"{_margin(finding)}.{real}"
    )


def _undecided(finding: Finding, alpha: float) -> str:
    alone = ""
    if finding.p_difference is not None and finding.p_difference < alpha:
        alone = (
            f"Alone it would pass for a difference ({_p(finding.p_difference)}), but among the {_family(finding)} "
            f"looked at some stray so far by chance ({_p(finding.p_difference_holm)} after Holm's adjustment). "
        )
    smallest = finding.smallest_difference or float("inf")
    reach = (
        f"a change to {smallest:.2f} or {1 / smallest:.2f} times what it was" if smallest < 10 else "a tenfold change"
    )
    return (
        f"{alone}The passes neither show a difference nor hold the change inside {_margin(finding)}; this is not "
        f"evidence that nothing changed. As they scatter, nothing smaller than {reach} would show 4 times in 5. "
        f"{_more_passes(finding)}"
    )


def _drowned(finding: Finding, alpha: float) -> str:
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
        f"With {more} more pass{'es' if more > 1 else ''} on each side, {passes} in all, a change as large as the "
        "margin would be shown, or none at all held inside it, 4 times in 5, if passes stray as far as these leave "
        "room for; a change of about half the margin may stay undecided. Plan them as drives of their own: adding "
        "passes until a test comes out makes it wrong."
    )


def _cross_check(finding: Finding) -> str:
    told = (
        f"It rests on whole passes because {finding.kept_share.warning}."
        if finding.basis == "whole passes"
        else f"Over whole passes, without the gate, it was {change(finding.ungated.ratio)}."
    )
    checks = []
    if finding.permutation_p is not None:
        least = least_p(*finding.passes, finding.blocks)
        smallest = least is not None and finding.permutation_p <= least * (1 + 1e-9)
        can = f" (the smallest that {finding.passes[0]} and {finding.passes[1]} passes can give)" if smallest else ""
        checks.append(f"permutation of the passes, {_p(finding.permutation_p)}{can}")
    if finding.bootstrap_interval is not None:
        low, high = finding.bootstrap_interval
        checks.append(f"bootstrap over passes, from {change(low)} to {change(high)}")
    if not checks:
        return told
    return f"{told} Cross-checks on this finding alone: {'; '.join(checks)}."


def _cannot_tell(contrast: Contrast, parts: tuple[str, str]) -> str:
    if min(contrast.passes) < 2:
        return (
            f"Driven: {_counted(contrast.passes[0])} with {parts[0]}, {_counted(contrast.passes[1])} with {parts[1]}. "
            "A side with one pass does not show how far passes differ with nothing changed, so no change can be told "
            f"from chance, whatever the figures (a ratio of {contrast.ratio:.2f}). Drive three passes or more of each."
        )
    return (
        "Passes of one side, or of every block, agree to the last digit; separate drives never do, so they do not show "
        "how far passes differ by chance. Look for copies of one recording."
    )


def _counted(passes: int) -> str:
    return f"{passes} pass{'' if passes == 1 else 'es'}"


def summary(findings: Sequence[Finding]) -> str:
    """One sentence a metric: its verdicts, the decided ones first, the roads of each, and how large a difference is."""
    told = []
    for metric in dict.fromkeys(one.metric for one in findings):
        mine = [one for one in findings if one.metric == metric]
        verdicts = [
            f"{kind} on {listed([_where(one) for one in mine if one.verdict == kind])}"
            for kind in VERDICTS
            if any(one.verdict == kind for one in mine)
        ]
        label = mine[0].label
        told.append(f"{label[:1].upper()}{label[1:]}: {', '.join(verdicts)}.")
    return " ".join(told)


def _where(finding: Finding) -> str:
    told = {"undecided": "", "equivalent": f" (× {finding.ratio:.2f}, inside the margin)"}
    return finding.road + told.get(finding.verdict, f" (× {finding.ratio:.2f})")
