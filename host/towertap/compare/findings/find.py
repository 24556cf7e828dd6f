"""From a laid-out study to its findings: each contrast with its checks, then the verdicts of each family."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from towertap.compare.drives.model import SIDES, Quantity
from towertap.compare.findings import block_words, instrument
from towertap.compare.findings.describe import describe, verdict
from towertap.compare.findings.model import Finding
from towertap.compare.stats.blocks import blocked
from towertap.compare.stats.ratio import contrast, holm
from towertap.compare.stats.effect import effect
from towertap.compare.stats.power import ALPHA, strength, upper
from towertap.compare.study import Road, Study


def find(study: Study, primary: str | None) -> tuple[Finding, ...]:
    """Every metric on every rough road; `primary` names the metric whose findings are a family of their own."""
    findings = [_contrast(study, road, quantity) for road in study.roads for quantity in study.quantities]
    parts = study.drives.before, study.drives.after
    if primary is None:
        return tuple(_decide(findings, parts))
    marked = [replace(finding, primary=finding.metric == primary) for finding in findings]
    decided = {
        (finding.road, finding.metric): finding
        for is_primary in (True, False)
        for finding in _decide([finding for finding in marked if finding.primary == is_primary], parts)
    }
    return tuple(decided[finding.road, finding.metric] for finding in findings)


def _contrast(study: Study, road: Road, quantity: Quantity) -> Finding:
    """One finding, all but the p-values of the family, and so without its verdict and words."""
    metric, rough = quantity.name, road.rough[quantity.name]
    sides = [tuple(rough.value(drive) for drive in road.of(side)) for side in SIDES]
    before, after = ([drive.value for drive in side] for side in sides)
    wholes = [[drive.whole for drive in side] for side in sides]
    by_block = None
    if road.slots is not None:
        slots = [[road.slots[drive.capture] for drive in side] for side in sides]
        by_block = blocked(before, after, (slots[0], slots[1]), study.margin)
    blocks = by_block.blocks if by_block else None
    return Finding(
        **vars(contrast(before, after, study.margin, blocks)),
        road=road.name,
        metric=metric,
        label=quantity.label,
        unit=quantity.unit,
        margin=study.margin,
        verdict="undecided",
        words="",
        cautions=tuple(instrument.mounting_cautions(road.name, metric, road.passes)),
        primary=None,
        family=0,
        basis=rough.basis,
        whole_because=rough.warning,
        rough_share=rough.share,
        whole=contrast(wholes[0], wholes[1], study.margin, blocks),
        p_difference_holm=None,
        p_equivalence_holm=None,
        passes_needed=None,
        blocked=by_block,
        noise=instrument.largest_share(road.passes, [*sides[0], *sides[1]], metric),
        before_values=sides[0],
        after_values=sides[1],
    )


def _decide(findings: list[Finding], parts: tuple[str, str]) -> Iterator[Finding]:
    """Adjust the p-values over one family and give every finding its verdict, cautions and words."""
    differences = holm([finding.p_difference for finding in findings])
    equivalences = holm([finding.p_equivalence for finding in findings])
    family = sum(p is not None for p in differences)
    for finding, p_difference, p_equivalence in zip(findings, differences, equivalences, strict=True):
        drowned = instrument.drowned(finding)
        decision = "undecided" if drowned else verdict(finding.ratio, p_difference, p_equivalence, ALPHA)
        more_would_tell = decision == "undecided" and not drowned and p_difference is not None
        decided = replace(
            finding,
            p_difference_holm=p_difference,
            p_equivalence_holm=p_equivalence,
            family=family,
            verdict=decision,
            passes_needed=_needed(finding, ALPHA / max(family, 1)) if more_would_tell else None,
            cautions=(*_cautions(finding), *instrument.noise_cautions(finding), *finding.cautions),
        )
        cautions = (*block_words.cautions(decided, ALPHA), *decided.cautions)
        yield replace(decided, words=describe(decided, parts, ALPHA), cautions=cautions)


def _needed(finding: Finding, level: float) -> int | None:
    """Passes a side that show a change as large as the margin, or hold none inside it, 4 times in 5; None: too many.

    As in a plan, from the spread that the true one stays below with the confidence CAUTION.
    """
    estimate = effect(*finding.values, finding.blocks)
    number = len(finding.blocked.ratios) if finding.blocked else 1
    df = sum(finding.passes) - number - 1
    return strength(finding.margin, upper(estimate.spread, df), min(finding.passes), alpha=level, blocks=number).needed


def _cautions(finding: Finding) -> Iterator[str]:
    """What a sceptic must know of one finding beside its words."""
    if min(finding.passes) < 2:
        return  # nothing is told from chance, whatever is rough
    where, whole = f"{finding.road}, {finding.metric}", finding.whole.interval
    if finding.whole_because:
        yield (
            f"{where}: {finding.whole_because}; the finding rests on whole passes, smooth stretches and all, where no "
            "choice of places can hide or invent a change."
        )
    elif whole and not whole[0] <= finding.ratio <= whole[1]:
        yield (
            f"{where}: the ratio over {finding.basis} ({finding.ratio:.2f}) lies outside the interval over whole "
            f"passes ({whole[0]:.2f} to {whole[1]:.2f}): the change is not the same on rough and smooth stretches."
        )
