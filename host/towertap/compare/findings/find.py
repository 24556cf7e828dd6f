"""From a laid-out study to its findings: both statements with their checks, then the verdicts of each family."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import SIDES, Pass, Quantity
from towertap.compare.findings import instrument
from towertap.compare.findings.describe import describe
from towertap.compare.findings.model import Finding, OverSmooth, PartStatement, PassInfluence, Spread
from towertap.compare.road.rough import PassValue, whole_value
from towertap.compare.stats.blocks import block_ratios, p_interaction
from towertap.compare.stats.bursts import leave_one_out
from towertap.compare.stats.contrast import ALPHA, Student, Verdict, pass_contrast
from towertap.compare.stats.design import Design, about, overlap
from towertap.compare.stats.part import Statements, statements
from towertap.compare.stats.planning import MOST_PASSES, passes_needed
from towertap.compare.stats.power import difference_power, equivalence_power
from towertap.compare.stats.ratio import contrast, described, holm
from towertap.compare.stats.roads import heterogeneity, rounds, smooth_control
from towertap.compare.stats.spreads import ClusterSpread
from towertap.compare.study import Road, Study

Values = tuple[list[PassValue], list[PassValue]]
ALL_ROADS = "all rough roads"
FEWEST_FOR_INFLUENCE = 3
"""With fewer passes on a side none can be spared."""


def find(study: Study, primary: str | None) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Every metric over all rough roads together, where there are two or more; and on each road.

    `primary` names the metric whose findings are families of their own.
    """
    of_roads = [_on_road(study, road, quantity) for road in study.roads for quantity in study.quantities]
    overall = [_over_all(study, quantity, of_roads) for quantity in study.quantities if len(study.roads) > 1]
    parts = study.drives.before, study.drives.after
    return _decided(overall, primary, parts), _decided(of_roads, primary, parts)


def _decided(findings: list[Finding], primary: str | None, parts: tuple[str, str]) -> tuple[Finding, ...]:
    """The findings with their verdicts, those of the primary metric, where there is one, a family apart."""
    marked = [replace(finding, primary=finding.metric == primary) if primary else finding for finding in findings]
    families = {kind: [finding for finding in marked if finding.primary == kind] for kind in (True, False, None)}
    decided = {kind: _decide(family, parts) for kind, family in families.items()}
    return tuple(next(decided[finding.primary]) for finding in marked)


def _on_road(study: Study, road: Road, quantity: Quantity) -> Finding:
    """One finding on one road, all but what the family decides."""
    metric, rough = quantity.name, road.rough[quantity.name]
    values = [rough.value(drive) for drive in road.passes]
    logs, wholes = np.log([drive.value for drive in values]), np.array([drive.whole for drive in values])
    after = road.design.after
    return replace(
        _finding(study, quantity, logs, road.design, road.passes, values),
        road=road.name,
        over_all=False,
        cautions=tuple(instrument.mounting_cautions(road.name, metric, road.passes)),
        basis=rough.basis,
        whole_because=rough.warning,
        rough_share=rough.share,
        whole=contrast(wholes[~after], wholes[after], study.margin, road.block),
        bursts=rough.bursts[0],
        loud_passes=rough.bursts[1],
        influence=_influence(logs, road, study.margin),
    )


def _over_all(study: Study, quantity: Quantity, of_roads: Sequence[Finding]) -> Finding:
    """One finding over all rough roads: the unit is the round, one drive over every road."""
    passes = [drive for road in study.roads for drive in road.passes]
    rough = {road.name: road.rough[quantity.name] for road in study.roads}
    values = [rough[drive.road].value(drive) for drive in passes]
    logs, wholes = (np.log([getattr(drive, name) for drive in values]) for name in ("value", "whole"))
    after = np.array([drive.side == "after" for drive in passes])
    roads, numbers = [drive.road for drive in passes], _numbers(passes)
    in_rounds, whole_rounds = (rounds(of, roads, numbers, after) for of in (logs, wholes))
    first = [passes[number] for number in in_rounds.first]
    design = study.groups.design(first, all(road.block is not None for road in study.roads))
    students = [pass_contrast(logs[here], after[here], road.block) for road, here in _of_roads(study, roads)]
    shares = [finding.rough_share for finding in of_roads if finding.metric == quantity.name]
    whole = described(
        pass_contrast(whole_rounds.logs, design.after, design.block), whole_rounds.logs, design.after, study.margin
    )
    return replace(
        _finding(study, quantity, in_rounds.logs, design, first, values),
        basis="whole passes" if all(of.warning for of in rough.values()) else "rough places",
        rough_share=float(np.mean(shares)),
        whole=whole,
        bursts=sum(of.bursts[0] for of in rough.values()),
        loud_passes=tuple(name for of in rough.values() for name in of.bursts[1]),
        roads_differ=bool(heterogeneity(students).differ()) if all(s.df >= 1 for s in students) else None,
    )


def _finding(
    study: Study,
    quantity: Quantity,
    logs: NDArray[np.float64],
    design: Design,
    passes: Sequence[Pass],
    values: Sequence[PassValue],
) -> Finding:
    """Both statements from logs (n,) of the passes (or rounds) of a design; `values` are those of all passes."""
    both = statements(logs, design, study.installation_known, study.day_known)
    shown = described(both.drives, logs, design.after, study.margin)
    sides = {drive.name: drive.side for drive in study.drives.passes}
    before, after = (tuple(drive for drive in values if sides[drive.capture] == side) for side in SIDES)
    all_passes = [drive for drive in study.drives.passes if drive.name in {value.capture for value in values}]
    return Finding(
        **vars(shown),
        road=ALL_ROADS,
        over_all=True,
        metric=quantity.name,
        label=quantity.label,
        unit=quantity.unit,
        margin=study.margin,
        verdict="undecided",
        on_these_drives="undecided",
        about="part",
        part=_part(both, shown.interval is not None, study.margin),
        overlap=overlap(design, *_times_and_warmth(passes)),
        over_smooth=_over_smooth(study, quantity.name, both.drives) if shown.interval else None,
        p_difference_holm=None,
        p_equivalence_holm=None,
        primary=None,
        family=0,
        basis="rough places",
        whole_because=None,
        rough_share=1.0,
        whole=shown,
        block_ratios=() if design.block is None else block_ratios(logs, design.after, design.block),
        p_interaction=None if design.block is None else p_interaction(logs, design.after, design.block),
        bursts=0,
        loud_passes=(),
        influence=None,
        roads_differ=None,
        passes_needed=None,
        noise=instrument.largest_share(all_passes, values, quantity.name),
        before_values=before,
        after_values=after,
        cautions=(),
        words="",
    )


def _part(both: Statements, tells: bool, margin: float) -> PartStatement:
    part, made_of = both.part, both.components
    kinds: tuple[tuple[Literal["installation", "day"], ClusterSpread], ...] = (
        ("installation", made_of.installation),
        ("day", made_of.day),
    )
    installation, day = (
        Spread(float(of.sd), float(of.df), of.source, both.overturned_by(kind, margin) if tells else None)
        for kind, of in kinds
    )
    if not tells:
        return PartStatement(None, None, None, None, None, None, None, None, installation, day)
    return PartStatement(
        interval=_ends(part),
        interval_90=_ends(part, 2 * ALPHA),
        standard_error=float(part.error),
        df=float(part.df),
        p_difference=float(part.p_difference()),
        p_equivalence=float(part.p_equivalence(margin)),
        p_difference_holm=None,
        p_equivalence_holm=None,
        installation=installation,
        day=day,
    )


def _ends(student: Student, alpha: float = ALPHA) -> tuple[float, float]:
    low, high = student.interval(alpha)
    return float(low), float(high)


def _over_smooth(study: Study, metric: str, rough: Student) -> OverSmooth | None:
    """The finding against the smooth road's own change, where both sides drove it two times or more."""
    if study.smooth is None:
        return None
    levels = np.log([whole_value(drive, metric) for drive in study.smooth.passes])
    smooth = pass_contrast(levels, study.smooth.design.after, study.smooth.block)
    if not (smooth.df >= 1 and smooth.error > 0):
        return None
    control = smooth_control(rough, smooth, study.margin)
    over = control.over_smooth
    return OverSmooth(float(over.ratio), _ends(over), float(smooth.ratio), _ends(smooth), control.reading)


def _influence(logs: NDArray[np.float64], road: Road, margin: float) -> PassInfluence | None:
    design = road.design
    if min(design.after.sum(), (~design.after).sum()) < FEWEST_FOR_INFLUENCE:
        return None

    def judge(kept: NDArray[np.int64]) -> tuple[float, str]:
        block = None if design.block is None else design.block[kept]
        student = pass_contrast(logs[kept], design.after[kept], block)
        return float(student.ratio), student.verdict(margin)

    left_out = leave_one_out(judge, logs.size)
    return PassInfluence(left_out.range, tuple(road.passes[number].name for number in left_out.hangs_on))


def _numbers(passes: Sequence[Pass]) -> list[int]:
    """The round of each pass: its number, or its place among those of its side and road where one has none."""
    if all(drive.conditions.pass_number for drive in passes):
        return [drive.conditions.pass_number or 0 for drive in passes]
    seen: dict[tuple[str, str], int] = {}
    numbers = []
    for drive in passes:
        key = drive.side, drive.road
        seen[key] = seen.get(key, 0) + 1
        numbers.append(seen[key])
    return numbers


def _of_roads(study: Study, roads: Sequence[str]) -> Iterator[tuple[Road, NDArray[np.bool_]]]:
    for road in study.roads:
        yield road, np.array([name == road.name for name in roads])


def _times_and_warmth(passes: Sequence[Pass]) -> tuple[list[float | None], list[float | None]]:
    starts = [drive.started.timestamp() if drive.started else None for drive in passes]
    return starts, [drive.conditions.air_temperature_c for drive in passes]


def verdict(ratio: float, p_difference: float | None, p_equivalence: float | None, alpha: float = ALPHA) -> Verdict:
    """The verdict from the ratio and the adjusted p-values of the difference and the two one-sided tests.

    `equivalent` goes before `harsher` and `gentler`: a difference inside the margin does not count, though it is there.
    A large p is never taken for "the same".
    """
    if p_difference is None or p_equivalence is None:
        return "undecided"
    if p_equivalence < alpha:
        return "equivalent"
    if p_difference < alpha:
        return "harsher" if ratio > 1 else "gentler"
    return "undecided"


def _decide(findings: list[Finding], parts: tuple[str, str]) -> Iterator[Finding]:
    """Adjust the p-values over one family and give every finding its verdicts, cautions and words."""
    different, equivalent = (holm([getattr(f, name) for f in findings]) for name in ("p_difference", "p_equivalence"))
    of_part = [
        holm([getattr(finding.part, name) for finding in findings]) for name in ("p_difference", "p_equivalence")
    ]
    family = sum(p is not None for p in different)
    for place, finding in enumerate(findings):
        part = replace(finding.part, p_difference_holm=of_part[0][place], p_equivalence_holm=of_part[1][place])
        drowned = instrument.drowned(finding)
        shown: Verdict = "undecided" if drowned else verdict(finding.ratio, different[place], equivalent[place])
        of_the_part: Verdict = (
            "undecided" if drowned else verdict(finding.ratio, part.p_difference_holm, part.p_equivalence_holm)
        )
        more_would_tell = shown == "undecided" and not drowned and finding.p_difference is not None
        decided = replace(
            finding,
            part=part,
            p_difference_holm=different[place],
            p_equivalence_holm=equivalent[place],
            family=family,
            on_these_drives=shown,
            verdict=of_the_part,
            about=about(finding.overlap, shown, of_the_part),
            passes_needed=_needed(finding, ALPHA / max(family, 1)) if more_would_tell else None,
        )
        cautions = (*_cautions(decided), *instrument.noise_cautions(decided), *decided.cautions)
        yield replace(decided, words=describe(decided, parts), cautions=cautions)


def _needed(finding: Finding, alpha: float) -> int | None:
    """Passes a side that show a change as large as the margin, or hold none inside it, 4 times in 5; None: too many."""
    blocks, df = max(1, len(finding.block_ratios)), finding.df or 0.0
    error = finding.standard_error or 0.0
    spread = error / np.sqrt(sum(1 / count for count in finding.passes))
    fewest = max(2, blocks)

    def power(sd: float, passes: int) -> float:
        shown = difference_power(1 + finding.margin, sd, passes, alpha, blocks=blocks)
        return min(shown, equivalence_power(finding.margin, sd, passes, alpha, blocks=blocks))

    needed = passes_needed(partial(power), spread, df, range(fewest, MOST_PASSES + 1, blocks)) if df > 0 else None
    return needed.passes if needed else None


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
    if finding.influence and finding.influence.hangs_on and not finding.over_all:
        low, high = finding.influence.ratios
        yield (
            f"{where}: without {', '.join(finding.influence.hangs_on[:2])} alone the verdict would be another (ratios "
            f"from {low:.2f} to {high:.2f} with one pass left out)."
        )
