"""Where the drives and the analysis departed from the plan: said, not judged."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise

from towertap.compare.answer import Comparison, Departure
from towertap.compare.blocks import Key
from towertap.compare.model import Drives, Finding, Pass
from towertap.compare.passes import TEMPERATURE_STEP_C
from towertap.compare.phrases import listed, some
from towertap.compare.plan import GATE, QUANTILE, Plan

PRESSURE_STEP_KPA = 5.0
"""Tyre pressures that differ by more from those planned are told, as the drive procedure has it."""

NO_PLAN = (
    "No plan was given. Margin, metrics and roads may have been chosen after seeing the data, and the number of passes "
    "without asking what they can show (towertap plan)."
)
SEEN = "it may have been chosen after seeing the data, and decides nothing"

SAME = 1e-9
"""Margins that differ by less are one."""


def start_times(drives: Drives) -> dict[str, datetime]:
    """When each capture began, by its name; captures that do not know are not in it."""
    return {one.name: one.started for one in drives.passes if one.started}


def held_against(plan: Plan, comparison: Comparison, drives: Drives, started: Mapping[str, datetime]) -> Comparison:
    """The comparison with the plan and the departures from it, and a caution at each finding that was not planned."""
    metrics = list(dict.fromkeys(finding.metric for finding in comparison))
    told = departures(plan, drives, started, margin=comparison.margin, metrics=metrics)
    undated = [one.name for one in drives.passes if one.name not in started]
    reasons = [*_lateness(plan, started, undated), *_left_out(plan, comparison)]
    if (comparison.gate, comparison.quantile) != (GATE, QUANTILE):
        words = (
            f"the gate is by {comparison.gate} at a quantile of {comparison.quantile:g}, not by {GATE} at {QUANTILE:g}"
        )
        told = (Departure("gate", f"{words}: {SEEN}"), *told)
    return replace(
        comparison,
        plan=plan,
        departures=told,
        findings=tuple(
            replace(finding, cautions=(*finding.cautions, *_leads(plan, comparison, finding, reasons)))
            for finding in comparison
        ),
    )


def _leads(plan: Plan, comparison: Comparison, finding: Finding, reasons: Sequence[str]) -> Iterable[str]:
    """A caution for each reason, those of all findings and this one's own, why it is a lead and not a decision."""
    where, lead = f"{finding.road}, {finding.metric}", "this finding is a lead for the next plan, not a decision"
    for reason in (*reasons, *_unplanned(plan, comparison, finding)):
        yield f"{where}: {reason}; {lead}."
    if finding.passes != (plan.passes, plan.passes) and finding.road in [road.name for road in plan.rough_roads]:
        yield (
            f"{where}: {finding.passes[0]} and {finding.passes[1]} passes a side are here, and {plan.passes} were "
            f"planned. If that is because of what the figures showed, the p-values do not hold, and {lead}."
        )


def _lateness(plan: Plan, started: Mapping[str, datetime], undated: Sequence[str]) -> Iterable[str]:
    if started and min(started.values()) < plan.written:
        yield "the plan was written after the first drive, so nothing in it was certainly chosen before the data"
    elif undated:
        yield f"{some(undated)} do not say when they began, so nothing shows that the plan came first"


def _left_out(plan: Plan, comparison: Comparison) -> Iterable[str]:
    """Planned metrics and roads that no finding speaks of: fewer findings are adjusted for than were planned."""
    planned = (*plan.metrics, *(road.name for road in plan.rough_roads))
    told = {name for one in comparison for name in (one.metric, one.road)}
    if missing := [name for name in planned if name not in told]:
        yield f"{listed(missing)} was planned and is not compared, so that fewer findings are adjusted for"


def _unplanned(plan: Plan, comparison: Comparison, finding: Finding) -> Iterable[str]:
    """The choices behind one finding that were not planned."""
    chosen = {
        "margin": abs(finding.margin - plan.margin) > SAME,
        "metric": finding.metric not in plan.metrics,
        "road": finding.road not in [road.name for road in plan.rough_roads],
        "parts": (comparison.before, comparison.after) != (plan.before, plan.after),
        "smooth road": comparison.smooth != plan.smooth,
        "gate": (comparison.gate, comparison.quantile) != (GATE, QUANTILE),
    }
    if what := [name for name, unplanned in chosen.items() if unplanned]:
        yield f"{listed(what)} not as planned, and perhaps chosen after seeing the data"


def departures(
    plan: Plan, drives: Drives, started: Mapping[str, datetime], *, margin: float, metrics: Sequence[str]
) -> tuple[Departure, ...]:
    """Hold drives and analysis against the plan.

    `started` is when each capture began, by its name (see `start_times`); `margin`, a fraction, and `metrics` are what
    the analysis uses. What was chosen after the plan is told as chosen after seeing the data, since it may have been.
    """
    told = (*_analysis(plan, drives, margin, metrics), *_passes(plan, drives), *_order(plan, drives, started))
    return tuple(Departure(kind, words) for kind, words in (*told, *_conditions(plan, drives)))


Told = Iterable[tuple[str, str]]


def _analysis(plan: Plan, drives: Drives, margin: float, metrics: Sequence[str]) -> Told:
    if abs(margin - plan.margin) > SAME:
        yield "margin", f"the margin is {100 * margin:g} %, and {100 * plan.margin:g} % was planned: {SEEN}"
    for metric in metrics:
        if metric not in plan.metrics:
            yield "metric", f"{metric} was not planned: {SEEN}"
    for metric in plan.metrics:
        if metric not in metrics:
            yield "metric", f"{metric} was planned and is not compared"
    for what, planned, used in (
        ("part before", plan.before, drives.before),
        ("part after", plan.after, drives.after),
        ("smooth road", plan.smooth, drives.smooth),
    ):
        if used != planned:
            yield "question", f"the {what} is '{used}', and '{planned}' was planned"


def _passes(plan: Plan, drives: Drives) -> Told:
    """Passes that are missing from the comparison or were not planned, counted by part and road."""
    planned = Counter((drive.part, drive.road) for drive in plan.drives)
    driven = Counter((one.conditions.part, one.road) for one in drives.passes)
    for (part, road), count in sorted((planned | driven).items()):
        wanted, got = planned[part, road], driven[part, road]
        if got < wanted:
            yield "passes", f"{road} with {part}: {got} of {count} planned passes are here, {wanted - got} missing"
        elif got > wanted:
            yield "passes", f"{road} with {part}: {got} passes, {wanted} planned; {got - wanted} more than planned"


def _order(plan: Plan, drives: Drives, started: Mapping[str, datetime]) -> Told:
    unknown = [one.name for one in drives.passes if one.name not in started]
    if unknown:
        yield "order", f"{some(unknown)} do not say when they began: their order cannot be held against the plan"
    driven = sorted((one for one in drives.passes if one.name in started), key=lambda one: started[one.name])
    if driven and started[driven[0].name] < plan.written:
        yield (
            "order",
            (
                f"the plan was written at {plan.written:%Y-%m-%d %H:%M} UTC, after {driven[0].name} had been driven: "
                "it is no plan for that"
            ),
        )
    places: dict[Key, int] = {(one.part, one.road, one.pass_number): i for i, one in enumerate(plan.drives)}
    known = [(places[_key(one)], one.name) for one in driven if _key(one) in places]
    moved = len(known) - _longest_rise([place for place, _ in known])
    if moved:
        first = next(name for (place, name), fit in zip(known, sorted(known), strict=True) if place != fit[0])
        yield "order", f"{moved} of {len(known)} passes were not driven in their planned order, from {first} on"
    changes = sum(one.conditions.part != next_.conditions.part for one, next_ in pairwise(driven))
    if driven and not unknown and changes != len(plan.fittings) - 1:
        yield "order", f"changes of the part between passes: {changes}, and {len(plan.fittings) - 1} planned"


def _key(one: Pass) -> Key:
    return one.conditions.part, one.road, one.conditions.pass_number


def _longest_rise(places: Sequence[int]) -> int:
    """Length of the longest rising subsequence: as many passes kept their order."""
    ends: list[int] = []
    for place in places:
        at = bisect_left(ends, place)
        ends[at : at + 1] = [place]
    return len(ends)


def _conditions(plan: Plan, drives: Drives) -> Told:
    hold = plan.hold
    speeds: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in drives.passes:
        aimed, planned = one.conditions.speed_kmh, plan.speed_kmh(one.road)
        if planned is not None and aimed != planned:
            said = "an unknown speed" if aimed is None else f"{aimed:g} km/h"
            speeds[one.road, f"driven aiming at {said}, and {planned:g} km/h was planned"].append(one.name)
    for (road, words), names in speeds.items():
        yield "speed", f"{road}: {some(names)} {words}"
    for field, planned_text in (
        ("vehicle", plan.vehicle),
        ("box_position", hold.box_position),
        ("mounting", hold.mounting),
    ):
        others = [one for one in drives.passes if planned_text and getattr(one.conditions, field) != planned_text]
        if others:
            said = ", ".join(sorted({f"'{getattr(one.conditions, field)}'" for one in others}))
            what = field.replace("_", " ")
            yield "conditions", f"{what} was to be '{planned_text}', and is {said} in {some([o.name for o in others])}"
    yield from _pressures(hold.tyre_pressures_kpa, drives)
    yield from _temperatures(hold.air_temperature_c, drives)


def _pressures(planned: str, drives: Drives) -> Told:
    def off(said: str) -> bool:
        try:
            pairs = zip(_numbers(planned), _numbers(said), strict=True)
            return any(abs(a - b) > PRESSURE_STEP_KPA for a, b in pairs)
        except ValueError:
            return said.split() != planned.split()

    others = [one for one in drives.passes if planned and off(one.conditions.tyre_pressures_kpa)]
    if others:
        said = "; ".join(sorted({one.conditions.tyre_pressures_kpa or "not written down" for one in others}))
        names = some([one.name for one in others])
        yield "conditions", f"tyre pressures were to be {planned} kPa, and in {names} are {said}"


def _temperatures(planned: tuple[float, float] | None, drives: Drives) -> Told:
    known = {one.name: t for one in drives.passes if (t := one.conditions.air_temperature_c) is not None}
    if planned is not None:
        low, high = planned
        outside = [name for name, t in known.items() if not low <= t <= high]
        if outside:
            yield "conditions", f"the air was to be {low:g} to {high:g} °C, and was not in {some(outside)}"
        unsaid = [one.name for one in drives.passes if one.name not in known]
        if unsaid:
            yield "conditions", f"the air temperature was to be held, and is not written down in {some(unsaid)}"
    elif known and max(known.values()) - min(known.values()) > TEMPERATURE_STEP_C:
        span = f"{min(known.values()):g} to {max(known.values()):g} °C"
        yield "conditions", f"the air went from {span} over the passes, more than {TEMPERATURE_STEP_C:g} °C"


def _numbers(text: str) -> list[float]:
    return [float(word) for word in text.replace(",", " ").split()]
