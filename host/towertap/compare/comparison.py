"""Before against after: gate, pass figures, tests and verdicts over a whole set of drives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from towertap.compare import block_words, instrument
from towertap.compare.answer import Comparison
from towertap.compare.blocks import Key, Slot, blocked
from towertap.compare.effect import effect
from towertap.compare.gate import gate_places, gate_windows, kept, set_gate, window_values
from towertap.compare.knocks import count_knocks, not_heard
from towertap.compare.model import Drives, Finding, Gate, GateKind, Quantity
from towertap.compare.places import Places, find_places
from towertap.compare.power import ALPHA, strength, upper
from towertap.compare.resampling import bootstrap_interval, permutation_p
from towertap.compare.slots import slots_of
from towertap.compare.smooth import moved_as_well, refuse_rough_as_smooth, smooth_changes, told_apart
from towertap.compare.speed import speeds_of
from towertap.compare.statistics import box, contrast, holm, lag_1, smallest_difference, window_t_test
from towertap.compare.thirds import where_the_change_is
from towertap.compare.verdict import describe, summary, verdict
from towertap.errors import AnalysisError, CallError

DEFAULT_METRICS = ("jerk_z", "weighted_z", "acceleration_z")
"""Few, because without a plan that names the primary one every further metric costs the power of all."""


def compare(
    drives: Drives,
    margin: float = 0.10,
    quantile: float = 0.95,
    metrics: Sequence[str] = DEFAULT_METRICS,
    gate: GateKind = "places",
    blocks: Mapping[Key, Slot] | None = None,
    primary: str | None = None,
) -> Comparison:
    """Compare the two sides of `drives` on every rough road that both drove, in every metric asked for.

    `margin` is the change that counts, as a fraction; `quantile` sets the gate on the smooth road's windows; `metrics`
    are columns of the window tables; `gate` is what the gate picks on the rough roads, places that are the same in
    every pass, or windows of each pass for itself. `blocks` are the planned slots of passes by part, road and number
    (`Plan.slots`): a road whose every pass has one is decided by block. `primary` is the metric that a plan names as
    such: its findings are one family of tests, all others another; without it all are one. The pass is the unit
    throughout. Raises CallError for a margin, quantile or metric that cannot be, AnalysisError for drives that cannot
    be compared.
    """
    if not 0 < margin < 1:
        raise CallError(f"a margin of {100 * margin:g} % cannot be: name more than 0 % and less than 100 %")
    if not 0 < quantile < 1:
        raise CallError(f"a quantile of {quantile:g} cannot be: name one between 0 and 1")
    quantities = [_quantity(drives, name) for name in dict.fromkeys(metrics)]
    if not quantities:
        raise CallError("no metric to compare: name one or more")
    roads = [road for road in drives.rough_roads if drives.of(road, "before") and drives.of(road, "after")]
    if not roads:
        missing = f"no rough road was driven with both '{drives.before}' and '{drives.after}': record both"
        raise AnalysisError(missing + _left_out(drives))
    bench = {one.name: one.bench for one in drives.passes if one.bench}
    gates = {quantity.name: set_gate(drives, quantity.name, quantile) for quantity in quantities}
    sanity = [
        entry for road in roads for quantity in quantities for entry in told_apart(drives, road, quantity.name, margin)
    ]
    refuse_rough_as_smooth(drives, sanity)
    places = {road: find_places(drives.of(road)) for road in roads if gate == "places"}
    on_both = [drives.smooth] if {one.side for one in drives.of(drives.smooth)} == {"before", "after"} else []
    paired = {} if blocks is None else {road: slots_of(drives.of(road), blocks) for road in (*roads, *on_both)}
    slots = {road: found for road, (found, reason) in paired.items() if reason is None}
    smooth = smooth_changes(drives, quantities, margin, slots.get(drives.smooth))
    bands = [where_the_change_is(drives, road, places.get(road), slots.get(road)) for road in roads]
    findings = _decide(
        [
            _find(drives, road, quantity, gates[quantity.name], margin, places.get(road), slots.get(road))
            for road in roads
            for quantity in quantities
        ],
        (drives.before, drives.after),
        primary,
    )
    speed = speeds_of(drives, places, findings, {name: one.threshold for name, one in gates.items()})
    thin = [road for road in roads if 2 in (len(drives.of(road, "before")), len(drives.of(road, "after")))]
    return Comparison(
        before=drives.before,
        after=drives.after,
        smooth=drives.smooth,
        margin=margin,
        quantile=quantile,
        alpha=ALPHA,
        summary=summary(findings),
        findings=tuple(findings),
        gates=gates,
        sanity=tuple(sanity),
        smooth_changes=smooth,
        warnings=(
            *drives.warnings,
            *instrument.warnings(bench),
            *(block_words.not_paired(road, reason) for road, (_, reason) in paired.items() if reason),
            *block_words.as_fitted(findings),
            *(f"{road} has two passes on a side, which hardly carry a test: drive three or more" for road in thin),
            *(entry.words for entry in sanity if entry.distinct is False),
            *moved_as_well(drives.smooth, smooth),
            *(one.warning for one in speed if one.warning),
            *not_heard(drives),
        ),
        excluded=drives.excluded,
        gate=gate,
        alignment=tuple(one.alignment for one in places.values()),
        bench=bench,
        knocks=count_knocks(drives, places),
        speed=speed,
        bands=tuple(one for one in bands if one),
    )


def _left_out(drives: Drives) -> str:
    """The number of captures left out and the first two reasons, as the end of a line."""
    if not drives.excluded:
        return ""
    count, reasons = len(drives.excluded), dict.fromkeys(one.reason for one in drives.excluded)
    told = ", ".join([*reasons][:2]) + (", …" if len(reasons) > 2 else "")
    return f"; {count} capture{'s' if count > 1 else ''} left out: {told}"


def _quantity(drives: Drives, name: str) -> Quantity:
    for quantity in drives.quantities:
        if quantity.name == name:
            return quantity
    raise CallError(f"no metric '{name}': use {', '.join(quantity.name for quantity in drives.quantities)}")


def _find(
    drives: Drives,
    road: str,
    quantity: Quantity,
    gate: Gate,
    margin: float,
    places: Places | None,
    slots: Mapping[str, Slot] | None,
) -> Finding:
    """One finding, all but the p-values of the family, and so without its verdict and words."""
    metric, sides = quantity.name, (drives.of(road, "before"), drives.of(road, "after"))
    if places is None:
        gated = gate_windows(sides, metric, gate.threshold, (drives.before, drives.after))
    else:
        gated = gate_places(places, sides, metric, gate.threshold)
    before, after = ([figure.figure for figure in side] for side in gated.figures)
    wholes = [[figure.whole for figure in side] for side in gated.figures]
    rough = [window_values(side, metric, gate.threshold) for side in sides]
    held = None
    if slots is not None:
        before_slots, after_slots = ([slots[figure.capture] for figure in side] for side in gated.figures)
        held = blocked(before, after, (before_slots, after_slots), margin)
    blocks = held.blocks if held else None
    return Finding(
        **vars(contrast(before, after, margin, blocks)),
        road=road,
        metric=metric,
        label=quantity.label,
        unit=quantity.unit,
        margin=margin,
        verdict="undecided",
        words="",
        cautions=tuple(instrument.mounting_cautions(road, metric, drives.of(road))),
        primary=None,
        family=0,
        basis=gated.basis,
        ungated=contrast(wholes[0], wholes[1], margin, blocks),
        p_difference_holm=None,
        p_equivalence_holm=None,
        smallest_difference=None,
        passes_needed=None,
        permutation_p=permutation_p(before, after, blocks),
        bootstrap_interval=bootstrap_interval(before, after, blocks),
        blocked=held,
        noise=instrument.largest_share(drives.of(road), [*gated.figures[0], *gated.figures[1]], metric),
        kept_share=gated.share,
        before_values=tuple(gated.figures[0]),
        after_values=tuple(gated.figures[1]),
        before_box=box(gated.values[0]),
        after_box=box(gated.values[1]),
        window_t_test=window_t_test(rough[0], rough[1], lag_1([kept(one, metric) for side in sides for one in side])),
    )


def _decide(findings: list[Finding], parts: tuple[str, str], primary: str | None) -> list[Finding]:
    """Decide the findings of the primary metric and all others, each as a family; as one where none is named."""
    if primary is None:
        return _decide_family(findings, parts)
    told = [replace(one, primary=one.metric == primary) for one in findings]
    decided = {
        (one.road, one.metric): one
        for which in (True, False)
        for one in _decide_family([one for one in told if one.primary == which], parts)
    }
    return [decided[one.road, one.metric] for one in findings]


def _decide_family(findings: list[Finding], parts: tuple[str, str]) -> list[Finding]:
    """Adjust the p-values over the family and give every finding its verdict, cautions and words."""
    differences = holm([one.p_difference for one in findings])
    equivalences = holm([one.p_equivalence for one in findings])
    family = sum(p is not None for p in differences)
    level = ALPHA / max(family, 1)
    decided = []
    for one, p_difference, p_equivalence in zip(findings, differences, equivalences, strict=True):
        before, after = _figures(one)
        drowned = instrument.drowned(one)
        told = "undecided" if drowned else verdict(one.ratio, p_difference, p_equivalence, ALPHA)
        more_would_tell = told == "undecided" and not drowned and p_difference is not None
        finding = replace(
            one,
            p_difference_holm=p_difference,
            p_equivalence_holm=p_equivalence,
            family=family,
            verdict=told,
            smallest_difference=smallest_difference(before, after, level, blocks=one.blocks),
            passes_needed=_needed(one, level) if more_would_tell else None,
            cautions=(*_cautions(one), *instrument.noise_cautions(one), *one.cautions),
        )
        cautions = (*block_words.cautions(finding, ALPHA), *finding.cautions)
        decided.append(replace(finding, words=describe(finding, parts, ALPHA), cautions=cautions))
    return decided


def _figures(finding: Finding) -> tuple[list[float], list[float]]:
    """The figures of the passes, before and after."""
    before, after = ([one.figure for one in side] for side in (finding.before_values, finding.after_values))
    return before, after


def _needed(finding: Finding, level: float) -> int | None:
    """Passes a side that show a change as large as the margin, or hold none inside it, 4 times in 5; None: too many.

    As in a plan, from the spread that the true one stays below with the confidence CAUTION.
    """
    found = effect(*_figures(finding), finding.blocks)
    number = len(finding.blocked.ratios) if finding.blocked else 1
    df = sum(finding.passes) - number - 1
    return strength(finding.margin, upper(found.spread, df), min(finding.passes), alpha=level, blocks=number).needed


def _cautions(finding: Finding) -> list[str]:
    """What a sceptic must know of one finding beside its words."""
    cautions: list[str] = []
    if min(finding.passes) < 2:
        return cautions  # nothing is told from chance, whatever the gate does
    if finding.kept_share.warning:
        cautions.append(
            f"{finding.road}, {finding.metric}: {finding.kept_share.warning}; the finding rests on whole passes, "
            "smooth stretches and all, where no gate can hide or invent a change."
        )
    elif finding.ungated.interval and not finding.ungated.interval[0] <= finding.ratio <= finding.ungated.interval[1]:
        cautions.append(
            f"{finding.road}, {finding.metric}: the ratio over {finding.basis} ({finding.ratio:.2f}) lies outside the "
            f"interval over whole passes ({finding.ungated.interval[0]:.2f} to {finding.ungated.interval[1]:.2f}): the "
            "change is not the same on rough and smooth stretches, or the gate makes it look so."
        )
    return cautions
