"""Before against after: from the drives to findings and the evidence beside them."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from towertap.bench.carried import BenchSummary
from towertap.compare.answer import Answer, Case, all_cautions, answer
from towertap.compare.caution import Caution
from towertap.compare.controls import Control, ControlValue
from towertap.compare.drives.calendar import days
from towertap.compare.drives.model import SIDES, Drives
from towertap.compare.findings import instrument
from towertap.compare.findings.cautions import on_the_drives
from towertap.compare.findings.departures import NO_PLAN, Departure, departures
from towertap.compare.findings.find import find
from towertap.compare.findings.model import Finding
from towertap.compare.plan.controls import CONTROLS, ControlKind
from towertap.compare.plan.plan import DEFAULT_METRICS, Plan
from towertap.compare.road.places import RoughnessLimit
from towertap.compare.section import Evidence
from towertap.compare.sections import SECTIONS
from towertap.compare.stats.contrast import ALPHA
from towertap.compare.study import Study, lay_out
from towertap.errors import AnalysisError, CallError

MARGIN = 0.10


@dataclass(frozen=True, eq=False)
class Comparison(Case):
    """Findings by road and metric, with everything behind them.

    `answer` is the one plain answer over all. `alpha` is the error rate of each family of findings and kind of test,
    `limits` the roughness limit of each metric by name, `cautions` all that weakens the answer, the gravest first,
    `bench` the bench records of the box behind each capture, by capture name. `evidence` is what each section found, by
    section name in the order of SECTIONS. `departures` say where `plan`, if there was one, was not kept.
    """

    margin: float
    alpha: float
    answer: Answer
    limits: Mapping[str, RoughnessLimit]
    evidence: Mapping[str, Evidence]
    cautions: tuple[Caution, ...]
    bench: Mapping[str, BenchSummary]
    plan: Plan | None
    departures: tuple[Departure, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.findings)

    def data(self) -> dict[str, Any]:
        """What JSON holds of the comparison, by name; each section under its own in `evidence`."""
        shared = {name: getattr(self.drives, name) for name in ("before", "after", "smooth", "excluded")}
        own = {name: value for name, value in vars(self).items() if name not in ("drives", "evidence")}
        evidence = {name: {"headline": item.headline, "data": item.data} for name, item in self.evidence.items()}
        return shared | own | {"evidence": evidence}


def compare(
    drives: Drives,
    margin: float | None = None,
    metrics: Sequence[str] = (),
    plan: Plan | None = None,
    *,
    refit_sd: float | None = None,
    day_sd: float | None = None,
    controls: Sequence[Control] = (),
    control: ControlKind | None = None,
    judge_unaligned: bool = False,
) -> Comparison:
    """Compare the two sides of `drives` in every metric asked for, on every rough road that both drove.

    `margin` is the change that counts, as a fraction; `metrics` are columns of the window tables. What is not given is
    the `plan`'s, or else the default. With a plan, a road whose passes have planned slots is decided by block, and the
    findings of the first planned metric are one family of tests, all others another; without, all are one. The pass is
    the unit throughout. `refit_sd` and `day_sd` state how far installations of one part and days differ, as fractions;
    `controls` were driven before; `control` says that this comparison is one, and of which kind. A road whose passes
    may be of several roads is not judged, unless `judge_unaligned`. Raises CallError for an impossible margin or
    metric, AnalysisError for drives that cannot be compared.
    """
    if plan:
        control = control or plan.control
        refit_sd = plan.refit_sd if refit_sd is None else refit_sd
        day_sd = plan.day_sd if day_sd is None else day_sd
    margin = margin if margin is not None else plan.margin if plan else MARGIN
    chosen = metrics or (plan.metrics if plan else _carried(drives))
    slots, primary = (plan.slots, plan.metrics[0]) if plan else (None, None)
    defaults = () if metrics or plan else DEFAULT_METRICS

    def judged(drives: Drives) -> tuple[Study, tuple[Finding, ...], tuple[Finding, ...]]:
        study = lay_out(drives, margin, chosen, slots, refit_sd, day_sd, controls, judge_unaligned)
        return study, *find(study, primary)

    study, overall, findings = judged(drives)
    departed = departures(plan, study) if plan else ()
    own = control_of(control, drives, margin, overall or findings) if control else None
    if own:
        study = replace(study, controls=(*study.controls, own))
    evidence = {section.name: item for section in SECTIONS if (item := section.compare(study, (*overall, *findings)))}
    bench = {drive.name: drive.bench for drive in drives.passes if drive.bench}
    boxes = {drive.name: drive.bench for drive in drives.passes if drive.bench and drive.from_box}
    case = Case(drives, overall, findings, own)
    cautions = all_cautions(
        case,
        departed,
        (
            *on_the_drives(study, findings, lambda clean: judged(clean)[2], defaults),
            *(() if plan else (NO_PLAN,)),
            *(caution for item in evidence.values() for caution in item.cautions),
            *instrument.cautions(boxes),
        ),
    )
    return Comparison(
        **vars(case),
        margin=margin,
        alpha=ALPHA,
        answer=answer(case, cautions),
        limits=study.limits,
        evidence=evidence,
        cautions=cautions,
        bench=bench,
        plan=plan,
        departures=departed,
    )


def _carried(drives: Drives) -> list[str]:
    """The default metrics that every pass's rate carries; AnalysisError if it carries none."""
    names = [metric.name for metric in drives.metrics]
    carried = [name for name in DEFAULT_METRICS if name in names]
    if not carried:
        raise AnalysisError(
            f"the rate carries none of {', '.join(DEFAULT_METRICS)}: name others, of {', '.join(names)}"
        )
    return carried


def control_of(kind: ControlKind, drives: Drives, margin: float, findings: Sequence[Finding]) -> Control:
    """The control that a comparison is; `findings` are one per metric, over all its rough roads.

    Raises CallError if it was not driven on the days that such a control needs, or if a day is unknown.
    """
    day_of = days(drives.passes)
    before, after = ({day_of[drive.name] for drive in drives.passes if drive.side == side} for side in SIDES)
    every = before | after
    if None in every:
        name = CONTROLS[kind].name
        raise CallError(f"a {name} needs the date of every pass: a capture does not say when it was driven")
    if kind == "refit" and len(every) > 1:
        raise CallError("a refit control is driven on one day, or it would include what differs from day to day")
    if kind == "day" and before & after:
        raise CallError("a no-change day needs all passes of one side on one day and those of the other on another")
    return Control(
        kind=kind,
        vehicle=drives.passes[0].conditions.vehicle,
        before=drives.before,
        after=drives.after,
        date=str(max(str(day) for day in every)),
        margin=margin,
        captures=tuple(sorted(drive.name for drive in drives.passes)),
        metrics={finding.metric: _value(finding, kind) for finding in findings},
    )


def _value(finding: Finding, kind: ControlKind) -> ControlValue:
    error, overlap = finding.part.pass_error, finding.overlap
    coefficient = overlap.day_coefficient if kind == "day" else overlap.installation_coefficient
    return ControlValue(
        label=finding.label,
        ratio=finding.ratio,
        interval=finding.interval,
        interval_90=finding.interval_90,
        shows=finding.on_these_drives,
        variance=None if error is None else (math.log(finding.ratio) ** 2 - error**2) / coefficient,
    )
