"""What blocks add to the words of a finding: how far the change repeats, and whether it would if installed anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from towertap.compare.findings.model import Finding, Verdict
from towertap.compare.stats.mixed import FEWEST_BLOCKS, Mixed
from towertap.words.phrases import change, listed, p_equals

DISAGREE = 0.05
"""Blocks are told to disagree where part × block has a smaller p."""


def in_blocks(finding: Finding) -> str:
    """The end of a count of passes: " in 3 blocks", or nothing."""
    return f" in {len(finding.blocked.ratios)} blocks" if finding.blocked else ""


def by_block(finding: Finding) -> str:
    """A sentence on the change block by block and the mixed model, with its blank before it; empty without blocks."""
    if finding.blocked is None:
        return ""
    ratios, model = finding.blocked.ratios, finding.blocked.mixed
    words = f" Compared within each block, so that drift between blocks cancels: {_spelt(ratios)}"
    if model is None:
        return f"{words}."
    low, high = model.interval
    return f"{words}; counting installations as drawn at random (mixed model), from {change(low)} to {change(high)}."


def _spelt(ratios: tuple[float, ...]) -> str:
    """Each block's change where there are few, else the span."""
    if len(ratios) > 3:
        return f"from {change(min(ratios))} to {change(max(ratios))} over the {len(ratios)} blocks"
    return listed([change(ratio) for ratio in ratios])


def cautions(finding: Finding, alpha: float) -> Iterator[str]:
    """Lines where the blocks disagree, and where the mixed model would not support the verdict."""
    blocked = finding.blocked
    if blocked is None or finding.interval is None:
        return
    where = f"{finding.road}, {finding.metric}"
    if blocked.p_interaction is not None and blocked.p_interaction < DISAGREE:
        yield (
            f"{where}: the blocks disagree (from {change(min(blocked.ratios))} to {change(max(blocked.ratios))}; "
            f"part × block, {p_equals(blocked.p_interaction)}). Either the change did not repeat from installation to "
            "installation, or something drifted within the blocks; a steady drift cancels in the mean over A B B A, "
            "and widens the interval."
        )
    if finding.verdict == "undecided" or len(blocked.ratios) < FEWEST_BLOCKS:
        return
    if blocked.mixed is None:
        yield f"{where}: the mixed model could not be fitted, so nothing says what the parts installed anew would give."
    elif not _supports(blocked.mixed, finding.verdict, alpha):
        low, high = blocked.mixed.interval
        yield (
            f"{where}: with installations counted as drawn at random (mixed model, {blocked.mixed.df:g} degrees of "
            f"freedom) the interval is from {change(low)} to {change(high)}, which alone would not bear out "
            f"'{finding.verdict}': it holds for the parts as they were installed; more blocks would tell whether it "
            "does when they are installed anew."
        )


def _supports(model: Mixed, verdict: Verdict, alpha: float) -> bool:
    """Whether the mixed model alone, without Holm's adjustment, comes to the same."""
    return (model.p_equivalence if verdict == "equivalent" else model.p_difference) < alpha


def as_installed(findings: Sequence[Finding]) -> Iterator[str]:
    """The warning where no finding can tell a part from the way it was installed."""
    if all(not finding.blocked or len(finding.blocked.ratios) < FEWEST_BLOCKS for finding in findings):
        yield (
            "the ratios are those of the parts as they were installed here: what installing the same part once more "
            f"would change is in them too, and only {FEWEST_BLOCKS} blocks or more tell it apart (towertap plan "
            f"--blocks {FEWEST_BLOCKS})"
        )


def not_paired(road: str, reason: str) -> str:
    """The warning for a road whose planned blocks do not hold."""
    return f"{road} is not compared by block ({reason}): a drift between the planned blocks does not cancel there"
