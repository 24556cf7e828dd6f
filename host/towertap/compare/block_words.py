"""What blocks add to the words of a finding: how far the change repeats, and whether it would if fitted anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from towertap.compare.mixed import FEWEST_BLOCKS, Mixed
from towertap.compare.model import Finding, Verdict
from towertap.compare.phrases import change, listed

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
    return f"{words}; counting fittings as drawn at random (mixed model), from {change(low)} to {change(high)}."


def _spelt(ratios: tuple[float, ...]) -> str:
    """Each block's change where there are few, else the span."""
    if len(ratios) > 3:
        return f"from {change(min(ratios))} to {change(max(ratios))} over the {len(ratios)} blocks"
    return listed([change(ratio) for ratio in ratios])


def cautions(finding: Finding, alpha: float) -> Iterable[str]:
    """Lines where the blocks disagree, and where the mixed model would not support the verdict."""
    if finding.blocked is None or finding.interval is None:
        return
    where, held = f"{finding.road}, {finding.metric}", finding.blocked
    if held.p_interaction is not None and held.p_interaction < DISAGREE:
        yield (
            f"{where}: the blocks disagree (from {change(min(held.ratios))} to {change(max(held.ratios))}; "
            f"part × block, p = {held.p_interaction:.2g}). Either the change did not repeat from fitting to fitting, "
            "or something drifted within the blocks; a steady drift cancels in the mean over A B B A, and widens the "
            "interval."
        )
    if finding.verdict == "undecided" or len(held.ratios) < FEWEST_BLOCKS:
        return
    if held.mixed is None:
        yield f"{where}: the mixed model could not be fitted, so nothing says what the parts fitted anew would give."
    elif not _supports(held.mixed, finding.verdict, alpha):
        low, high = held.mixed.interval
        yield (
            f"{where}: with fittings counted as drawn at random (mixed model, {held.mixed.df:g} degrees of freedom) "
            f"the interval is from {change(low)} to {change(high)}, which alone would not bear out "
            f"'{finding.verdict}': it holds for the parts as they were fitted; more blocks would tell whether it does "
            "when they are fitted anew."
        )


def _supports(model: Mixed, told: Verdict, alpha: float) -> bool:
    """Whether the mixed model alone, without Holm's adjustment, comes to the same."""
    return (model.p_equivalence if told == "equivalent" else model.p_difference) < alpha


def as_fitted(findings: Sequence[Finding]) -> Iterable[str]:
    """The warning where no finding can tell a part from the way it was fitted."""
    if all(not one.blocked or len(one.blocked.ratios) < FEWEST_BLOCKS for one in findings):
        yield (
            "the ratios are those of the parts as they were fitted here: what fitting the same part once more would "
            f"change is in them too, and only {FEWEST_BLOCKS} blocks or more tell it apart (towertap plan --blocks "
            f"{FEWEST_BLOCKS})"
        )


def not_paired(road: str, reason: str) -> str:
    """The warning for a road whose planned blocks do not hold."""
    return f"{road} is not compared by block ({reason}): a drift between the planned blocks does not cancel there"
