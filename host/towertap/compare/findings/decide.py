"""What a family of findings decides: Holm's adjustment over it, both verdicts, and the passes that they hang on."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np

from towertap.compare.caution import Caution, Weight
from towertap.compare.findings import instrument
from towertap.compare.findings.describe import describe
from towertap.compare.findings.model import Finding, PartStatement, PassInfluence, Spread
from towertap.compare.stats.contrast import ALPHA, Contrast, Levels, Student, Verdict, holm, plain_numbers
from towertap.compare.stats.part import ClusterSpread, Statements
from towertap.compare.stats.planning import MOST_PASSES, passes_needed, power_on_drives
from towertap.words.numbers import change_percent, p_value, range_percent
from towertap.words.phrases import listed, sentence_case

DISAGREE = 0.05
"""Blocks disagree when part × block has a smaller p."""


@dataclass(frozen=True, eq=False)
class Undecided:
    """What a finding rests on, before its family decides.

    `fields` are the fields of `Finding` that do not depend on the family, `names` the captures. `margin` applies to the
    measured ratio: it is narrower than the margin that counts when noise adds to the power. `without` gives both
    statements without one of the passes (None: none can be spared).
    """

    fields: Mapping[str, Any]
    shown: Contrast
    statements: Statements
    margin: float
    names: tuple[str, ...]
    without: Callable[[int], Statements] | None

    def verdict(self, student: Student, levels: Levels) -> Verdict | None:
        """Verdict of a statement. None when it depends on an engine that was not recorded."""
        noise = self.fields["noise"]
        margins = {self.margin, *([self.fields["margin"]] if noise and noise.of == "unrecorded" else [])}
        verdicts = {student.verdict(margin, levels) for margin in margins}
        return verdicts.pop() if len(verdicts) == 1 else None

    @property
    def is_judged(self) -> bool:
        """Whether a verdict may be given. Not when noise dominates, or when the passes may be of several roads."""
        noise = self.fields["noise"]
        return self.is_testable and not (noise and noise.drowns) and not self.fields["not_one_road"]

    @property
    def is_testable(self) -> bool:
        """Whether the passes distinguish a change from chance."""
        return self.shown.interval is not None


class Tests(NamedTuple):
    """The two tests of one statement after Holm: p-values as reported, and the levels that their raw p must stay under.

    The p-values are None if the passes cannot distinguish a change from chance.
    """

    p_difference_holm: float | None
    p_equivalence_holm: float | None
    levels: Levels


def decide(findings: Sequence[Undecided], primary: str | None) -> tuple[Finding, ...]:
    """The findings with their verdicts; those of the primary metric, if there is one, are a family of their own."""
    kinds = [finding.fields["metric"] == primary if primary else None for finding in findings]
    families = {
        kind: _family([finding for finding, own in zip(findings, kinds, strict=True) if own == kind], kind)
        for kind in set(kinds)
    }
    return tuple(next(families[kind]) for kind in kinds)


def _family(family: Sequence[Undecided], primary: bool | None) -> Iterator[Finding]:
    margins = [finding.margin for finding in family]
    drives = _tests([finding.statements.drives if finding.is_testable else None for finding in family], margins)
    part = _tests([finding.statements.part if finding.is_testable else None for finding in family], margins)
    size = sum(finding.is_testable for finding in family)
    for finding, *tests in zip(family, drives, part, strict=True):
        yield _finding(finding, tests[0], tests[1], primary, size)


def _tests(students: Sequence[Student | None], margins: Sequence[float]) -> list[Tests]:
    pairs = list(zip(students, margins, strict=True))
    different = _adjusted([(student, student.p_difference() if student else None) for student, _ in pairs])
    equivalent = _adjusted([(student, student.p_equivalence(margin) if student else None) for student, margin in pairs])
    return [Tests(p, q, (level, other)) for (p, level), (q, other) in zip(different, equivalent, strict=True)]


def _adjusted(tests: Sequence[tuple[Student | None, float | None]]) -> Iterator[tuple[float | None, float]]:
    """Each p after Holm, as reported, and the level that the raw p is tested at, equivalent to Holm's at ALPHA.

    Those not rejected are tested at ALPHA over their number, as the smallest of them was; 0 without a test.
    """
    adjusted = holm([p for _, p in tests])
    not_rejected = sum(p is not None and p >= ALPHA for p in adjusted)
    for (student, p), after_holm in zip(tests, adjusted, strict=True):
        if student is None or p is None or after_holm is None:
            yield None, 0.0
        elif after_holm >= ALPHA:
            yield student.reported_p(after_holm), ALPHA / not_rejected
        else:
            yield student.reported_p(after_holm), ALPHA * p / after_holm if after_holm else ALPHA


def _finding(undecided: Undecided, drives: Tests, part: Tests, primary: bool | None, family: int) -> Finding:
    fields, statements, shown = undecided.fields, undecided.statements, undecided.shown
    judged = undecided.is_judged
    verdicts = undecided.verdict(statements.drives, drives.levels), undecided.verdict(statements.part, part.levels)
    on_these_drives, verdict = ((judged and possible) or "undecided" for possible in verdicts)
    needed = _needed(undecided, ALPHA / family) if judged and on_these_drives == "undecided" else None
    finding = Finding(
        **vars(shown),
        **fields,
        verdict=verdict,
        on_these_drives=on_these_drives,
        about=fields["overlap"].about if verdict == "undecided" else "part",
        part=_part(undecided, part),
        p_difference_holm=drives.p_difference_holm,
        p_equivalence_holm=drives.p_equivalence_holm,
        primary=primary,
        family=family,
        influence=_influence(undecided, drives.levels, part.levels) if judged else None,
        passes_needed=needed[0] if needed else None,
        assurance=needed[1] if needed else None,
        words="",
    )
    noise_cautions = instrument.noise_cautions(finding.noise, finding.margin, judged and None in verdicts)
    cautions = (*_cautions(finding), *noise_cautions, *finding.cautions)
    return replace(finding, words=describe(finding), cautions=cautions)


def _part(undecided: Undecided, tests: Tests) -> PartStatement:
    """The statement about the part in plain numbers."""
    statements, student = undecided.statements, undecided.statements.part
    components, numbers = statements.components, {}
    if undecided.is_testable:
        errors = {"pass_error": float(components.pass_error), "pass_df": float(components.pass_df)}
        numbers = plain_numbers(student, undecided.margin) | errors

    def spread(kind: Literal["installation", "day"], cluster: ClusterSpread) -> Spread:
        decided = undecided.is_judged and undecided.verdict(student, tests.levels)
        overturned_at = statements.overturned_by(kind, undecided.margin, tests.levels) if decided else None
        return Spread(float(cluster.sd), float(cluster.df), cluster.source, overturned_at)

    return PartStatement(
        **numbers,
        p_difference_holm=tests.p_difference_holm,
        p_equivalence_holm=tests.p_equivalence_holm,
        least_p=student.least_p,
        installation=spread("installation", components.installation),
        day=spread("day", components.day),
    )


def _influence(undecided: Undecided, drive_levels: Levels, part_levels: Levels) -> PassInfluence | None:
    """What leaving out each pass in turn does to the ratio and to the two verdicts."""
    if undecided.without is None:
        return None

    def verdicts(statements: Statements) -> list[Verdict]:
        pairs = ((statements.drives, drive_levels), (statements.part, part_levels))
        return [undecided.verdict(student, levels) or "undecided" for student, levels in pairs]

    every = undecided.statements
    fewer = [undecided.without(number) for number in range(len(undecided.names))]
    ratios = [float(statements.drives.ratio) for statements in fewer]
    moved = [abs(float(statements.drives.difference - every.drives.difference)) for statements in fewer]
    decisive = [number for number, statements in enumerate(fewer) if verdicts(statements) != verdicts(every)]
    hangs_on = sorted(decisive, key=lambda number: -moved[number])
    return PassInfluence((min(ratios), max(ratios)), tuple(undecided.names[number] for number in hangs_on))


def _needed(undecided: Undecided, alpha: float) -> tuple[int, float] | None:
    """Passes per side that show a change of the margin, or equivalence, 4 times in 5, and their assurance.

    None if too many. By the measured ratio's margin, since a change that counts shows there as that.
    """
    shown, margin = undecided.shown, undecided.margin
    if not (shown.standard_error and shown.df):
        return None
    blocks = max(1, len(undecided.fields["block_ratios"]))
    spread = shown.standard_error / np.sqrt(sum(1 / count for count in shown.passes))

    def power(sd: float, passes: int) -> float:
        reached = power_on_drives(blocks, passes, sd, margin, alpha)
        return min(*reached.told, reached.equivalent)

    return passes_needed(power, spread, shown.df, range(max(2, blocks), MOST_PASSES + 1, blocks))


def _cautions(finding: Finding) -> Iterator[Caution]:
    """What a sceptic must know of one finding besides its words."""
    if min(finding.passes) < 2:
        return  # nothing is distinguished from chance, whatever is rough
    whole = finding.whole.interval
    if finding.not_one_road and not finding.over_all:
        yield Caution(
            f"{sentence_case(finding.not_one_road)}: nothing is judged.",
            Weight.OVERTURNS,
            "Look at the names of roads in 'towertap list' and fix wrong ones with 'towertap correct'; if it is one "
            "road, --judge-unaligned compares whole passes",
        )
    elif finding.whole_because and finding.over_all:
        yield Caution(f"{sentence_case(finding.whole_because)}.")
    elif finding.whole_because:
        yield Caution(
            f"{sentence_case(finding.whole_because)}: the finding rests on {finding.basis}, smooth stretches and all."
        )
    elif whole and not whole[0] <= finding.ratio <= whole[1]:
        yield Caution(
            f"The change over {finding.basis} ({change_percent(finding.ratio, finding.interval)}) differs from that "
            f"over whole passes ({range_percent(whole)}).",
            Weight.WEAKENS,
        )
    if finding.p_interaction is not None and finding.p_interaction < DISAGREE:
        sizes = listed([change_percent(ratio) for ratio in finding.block_ratios])
        yield Caution(f"Its blocks disagree ({sizes}; p {p_value(finding.p_interaction)}).", Weight.WEAKENS)
    if finding.influence and finding.influence.hangs_on:
        weight = Weight.LIMITS if finding.verdict == "undecided" else Weight.WEAKENS
        several = "any one of several passes" if len(finding.influence.hangs_on) > 1 else "one pass"
        yield Caution(f"Leaving out {several} (listed under The passes) would change the verdict.", weight)
