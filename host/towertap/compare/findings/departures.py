"""Where the drives and the analysis departed from the plan: said, and a caution at each finding that it touches."""

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.calendar import days
from towertap.compare.drives.model import Drives, Pass, metric_of
from towertap.compare.drives.slots import Key, key_of
from towertap.compare.findings.model import Finding
from towertap.compare.plan.plan import Plan
from towertap.compare.study import Study
from towertap.words.phrases import listed, sentence_case, some

PRESSURE_STEP_KPA = 5.0
"""Tyre pressures that differ by more from those planned are told, as the drive procedure has it."""

NO_PLAN = Caution(
    "No plan was given: margin, metrics and roads may have been chosen after seeing the data.",
    Weight.WEAKENS,
    "Write a plan before the next drives (towertap plan)",
)
SEEN = "it may have been chosen after seeing the data, and decides nothing"

DRIVE_THE_REST = "Drive what is left of the plan: 'towertap list' with --plan names it"
SAME = 1e-9
"""Margins that differ by less are one."""


@dataclass(frozen=True)
class Departure:
    """One point in which the drives or the analysis departed from the plan: its kind (one word) and a sentence."""

    kind: str
    words: str


def with_leads(plan: Plan, study: Study, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings with a caution at each that was not planned: it is a lead and not a decision."""
    reasons = [*_lateness(plan, study.drives), *_left_out(plan, findings)]
    return tuple(
        replace(finding, cautions=(*finding.cautions, *_leads(plan, study, finding, reasons))) for finding in findings
    )


def _leads(plan: Plan, study: Study, finding: Finding, reasons: Sequence[str]) -> Iterator[Caution]:
    """A caution for each reason, those of all findings and this one's own, why it is a lead and not a decision."""
    lead = "a lead for the next plan, not a decision"
    for reason in (*reasons, *_unplanned(plan, study, finding)):
        yield Caution(f"{sentence_case(reason)}: {lead}.", Weight.WEAKENS)
    if finding.passes != (plan.passes, plan.passes) and finding.road in [road.name for road in plan.rough_roads]:
        yield Caution(
            f"{finding.passes[0]} and {finding.passes[1]} passes a side are here, and {plan.passes} were planned. If "
            f"that is because of what the values showed, this is {lead}.",
            Weight.WEAKENS,
            DRIVE_THE_REST if min(finding.passes) < plan.passes else "",
        )


def _lateness(plan: Plan, drives: Drives) -> Iterator[str]:
    dated = [drive.started for drive in drives.passes if drive.started]
    if dated and min(dated) < plan.written:
        yield "the plan was written after the first drive, so nothing in it was certainly chosen before the data"
    elif undated := [drive.name for drive in drives.passes if not drive.started]:
        yield f"{some(undated)} do not say when they began, so nothing shows that the plan came first"


def _left_out(plan: Plan, findings: Sequence[Finding]) -> Iterator[str]:
    """Planned metrics and roads that no finding speaks of: fewer findings are adjusted for than were planned."""
    compared = {name for finding in findings for name in (finding.metric, finding.road)}
    over_all = all(finding.over_all for finding in findings)
    roads = () if over_all else (road.name for road in plan.rough_roads)
    if missing := [name for name in (*plan.metrics, *roads) if name not in compared]:
        names = listed([metric_of(name).label if name in plan.metrics else name for name in missing])
        yield f"{names} planned and not compared, so that fewer findings are adjusted for"


def _unplanned(plan: Plan, study: Study, finding: Finding) -> Iterator[str]:
    drives = study.drives
    chosen = {
        "margin": abs(finding.margin - plan.margin) > SAME,
        "metric": finding.metric not in plan.metrics,
        "road": not finding.over_all and finding.road not in [road.name for road in plan.rough_roads],
        "parts": drives.parts != (plan.before, plan.after),
        "smooth road": drives.smooth != plan.smooth,
    }
    if what := [name for name, unplanned in chosen.items() if unplanned]:
        yield f"{listed(what)} not as planned, and perhaps chosen after seeing the data"


def departures(plan: Plan, study: Study) -> tuple[Departure, ...]:
    """Hold drives and analysis against the plan.

    What was chosen after the plan is told as chosen after seeing the data, since it may have been.
    """
    drives = study.drives
    remarks = (*_analysis(plan, study), *_passes(plan, drives), *_order(plan, drives), *_conditions(plan, drives))
    return tuple(Departure(kind, words) for kind, words in remarks)


Remarks = Iterator[tuple[str, str]]


def _analysis(plan: Plan, study: Study) -> Remarks:
    drives, metrics = study.drives, list(study.labels)
    if abs(study.margin - plan.margin) > SAME:
        yield "margin", f"the margin is {100 * study.margin:g} %, and {100 * plan.margin:g} % was planned: {SEEN}"
    for name in ("refit_sd", "day_sd"):
        stated, planned_sd = getattr(study, name), getattr(plan, name)
        if stated != planned_sd:
            yield "spread", f"--{name.replace('_', '-')} is {_percent(stated)}, and {_percent(planned_sd)} was planned"
    for metric in metrics:
        if metric not in plan.metrics:
            yield "metric", f"{metric_of(metric).label} was not planned: {SEEN}"
    for metric in plan.metrics:
        if metric not in metrics:
            yield "metric", f"{metric_of(metric).label} was planned and is not compared"
    for what, planned, used in (
        ("part before", plan.before, drives.before),
        ("part after", plan.after, drives.after),
        ("smooth road", plan.smooth, drives.smooth),
    ):
        if used != planned:
            yield "question", f"the {what} is '{used}', and '{planned}' was planned"


def _passes(plan: Plan, drives: Drives) -> Remarks:
    """Passes that are missing from the comparison or were not planned, counted by part and road."""
    planned = Counter((drive.part, drive.road) for drive in plan.drives)
    driven = Counter((drive.conditions.part, drive.road) for drive in drives.passes)
    for (part, road), count in sorted((planned | driven).items()):
        wanted, got = planned[part, road], driven[part, road]
        if got < wanted:
            yield "passes", f"{road} with {part}: {got} of {count} planned passes are here, {wanted - got} missing"
        elif got > wanted:
            yield "passes", f"{road} with {part}: {got} passes, {wanted} planned; {got - wanted} more than planned"


def _order(plan: Plan, drives: Drives) -> Remarks:
    unknown = [drive.name for drive in drives.passes if not drive.started]
    if unknown:
        yield "order", f"{some(unknown)} do not say when they began: their order cannot be held against the plan"
    dated = [(drive.started, drive) for drive in drives.passes if drive.started]
    driven = [drive for _, drive in sorted(dated, key=lambda pair: pair[0])]
    if dated and min(started for started, _ in dated) < plan.written:
        yield (
            "order",
            f"the plan was written at {plan.written:%Y-%m-%d %H:%M} UTC, after {driven[0].name} had been driven: "
            "it is no plan for that",
        )
    places: dict[Key, int] = {(drive.part, drive.road, drive.pass_number): i for i, drive in enumerate(plan.drives)}
    known = [(places[key_of(drive)], drive.name) for drive in driven if key_of(drive) in places]
    moved = len(known) - _longest_rise([place for place, _ in known])
    if moved:
        first = next(name for (place, name), fit in zip(known, sorted(known), strict=True) if place != fit[0])
        yield "order", f"{moved} of {len(known)} passes were not driven in their planned order, from {first} on"
    if driven and not unknown:
        parts = [drive.part for drive in plan.drives], [drive.conditions.part for drive in driven]
        changes = [sum(part != following for part, following in pairwise(in_turn)) for in_turn in parts]
        for what, planned, count in (
            ("changes of the part between passes", *changes),
            ("days driven on", plan.planned_design.days, len(set(days(driven).values()))),
        ):
            if count != planned:
                yield "order", f"{what}: {count}, and {planned} planned"


def _longest_rise(places: Sequence[int]) -> int:
    """Length of the longest subsequence that does not fall: as many passes kept their order, one driven twice too."""
    ends: list[int] = []
    for place in places:
        at = bisect_right(ends, place)
        ends[at : at + 1] = [place]
    return len(ends)


def _conditions(plan: Plan, drives: Drives) -> Remarks:
    hold, planned_kmh = plan.hold, {road.name: road.speed_kmh for road in plan.roads}
    speeds: dict[tuple[str, str], list[str]] = defaultdict(list)
    for drive in drives.passes:
        aimed, planned = drive.conditions.speed_kmh, planned_kmh.get(drive.road)
        if planned is not None and aimed != planned:
            speed = "an unknown speed" if aimed is None else f"{aimed:g} km/h"
            speeds[drive.road, f"driven aiming at {speed}, and {planned:g} km/h was planned"].append(drive.name)
    for (road, words), captures in speeds.items():
        yield "speed", f"{road}: {some(captures)} {words}"
    for field, planned_text in (
        ("vehicle", plan.vehicle),
        ("box_position", hold.box_position),
        ("mounting", hold.mounting),
    ):
        others = [drive for drive in drives.passes if planned_text and getattr(drive.conditions, field) != planned_text]
        if others:
            said = ", ".join(sorted({f"'{getattr(drive.conditions, field)}'" for drive in others}))
            names = some([drive.name for drive in others])
            yield "conditions", f"{field.replace('_', ' ')} was to be '{planned_text}', and is {said} in {names}"
    changed = ["after"] if plan.control == "positive" else []
    yield from _pressures(hold.tyre_pressures_kpa, [drive for drive in drives.passes if drive.side not in changed])
    yield from _temperatures(hold.air_temperature_c, drives)


def _pressures(planned: str, passes: Sequence[Pass]) -> Remarks:
    def off(said: str) -> bool:
        try:
            pairs = zip(_numbers(planned), _numbers(said), strict=True)
            return any(abs(a - b) > PRESSURE_STEP_KPA for a, b in pairs)
        except ValueError:
            return said.split() != planned.split()

    others = [drive for drive in passes if planned and off(drive.conditions.tyre_pressures_kpa)]
    if others:
        said = "; ".join(sorted({drive.conditions.tyre_pressures_kpa or "not written down" for drive in others}))
        names = some([drive.name for drive in others])
        yield "conditions", f"tyre pressures were to be {planned} kPa, and in {names} are {said}"


def _temperatures(planned: tuple[float, float] | None, drives: Drives) -> Remarks:
    if planned is None:
        return
    known = {drive.name: c for drive in drives.passes if (c := drive.conditions.air_temperature_c) is not None}
    low, high = planned
    if outside := [name for name, c in known.items() if not low <= c <= high]:
        yield "conditions", f"the air was to be {low:g} to {high:g} °C, and was not in {some(outside)}"
    if unsaid := [drive.name for drive in drives.passes if drive.name not in known]:
        yield "conditions", f"the air temperature was to be held, and is not written down in {some(unsaid)}"


def _percent(share: float | None) -> str:
    return "not stated" if share is None else f"{100 * share:g} %"


def _numbers(text: str) -> list[float]:
    return [float(word) for word in text.replace(",", " ").split()]
