"""Departures of drives and analysis from the plan: reported, with a caution for those that make a finding a lead."""

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.calendar import days
from towertap.compare.drives.model import Drives, Pass, metric_of
from towertap.compare.drives.slots import key_of
from towertap.compare.plan.plan import Plan
from towertap.compare.study import Study
from towertap.words.phrases import counted, sentence_case, some

PRESSURE_STEP_KPA = 5.0
"""Tyre pressures further from the planned ones are reported; the limit is the drive procedure's."""

NO_PLAN = Caution(
    "No plan was given: margin, metrics and roads may have been chosen after seeing the data.",
    Weight.WEAKENS,
    "Write a plan before the next drives (towertap plan)",
)

DRIVE_THE_REST = "Drive what is left of the plan: 'towertap list' with --plan names it"
FIND_WRONG_PART = (
    "Find the capture of the wrong part in 'towertap list', by its time, and fix it with 'towertap correct'"
)
MARGIN_TOLERANCE = 1e-9
"""Margins that differ by less are equal."""


@dataclass(frozen=True)
class Departure:
    """One point in which the drives or the analysis departed from the plan: its kind (one word) and a sentence.

    `makes_lead`: the findings concerned are leads and not decisions, since it may have been chosen after seeing data.
    """

    kind: str
    words: str
    makes_lead: bool = False


def leads(departures: Iterable[Departure]) -> Iterator[Caution]:
    """One caution for all departures that make leads, if any, with the first two in full."""
    making = [departure for departure in departures if departure.makes_lead]
    words = [departure.words for departure in making[:2]] + [f"and {len(making) - 2} more"] * (len(making) > 2)
    if making:
        yield Caution(
            f"Not as planned, perhaps chosen after seeing the data, so a lead and not a decision: {'; '.join(words)}.",
            Weight.OVERTURNS,
        )


def missing(departures: Iterable[Departure]) -> Iterator[Caution]:
    """One caution for all missing passes. Most were never driven; nothing shows whether one was deleted."""
    words = [departure.words for departure in departures if departure.kind == "missing"]
    if words:
        more = [f"and {len(words) - 2} more"] * (len(words) > 2)
        yield Caution(f"Missing: {'; '.join(words[:2] + more)}.", Weight.WEAKENS, DRIVE_THE_REST)


def mislabelled(departures: Iterable[Departure]) -> Iterator[Caution]:
    """A caution if the part changes more often from pass to pass than planned."""
    for departure in departures:
        if departure.kind == "refits":
            yield Caution(
                f"{sentence_case(departure.words)}: a capture may say the wrong part.",
                Weight.OVERTURNS,
                FIND_WRONG_PART,
            )


def departures(plan: Plan, study: Study) -> tuple[Departure, ...]:
    """Check drives and analysis against the plan."""
    drives = study.drives
    return (*_analysis(plan, study), *_passes(plan, drives), *_order(plan, drives), *_conditions(plan, drives))


def _analysis(plan: Plan, study: Study) -> Iterator[Departure]:
    drives, metrics = study.drives, list(study.labels)
    if abs(study.margin - plan.margin) > MARGIN_TOLERANCE:
        words = f"the margin is {100 * study.margin:g} %, and {100 * plan.margin:g} % was planned"
        yield Departure("margin", words, makes_lead=True)
    for name in ("refit_sd", "day_sd"):
        stated, planned_sd = getattr(study, name), getattr(plan, name)
        if stated != planned_sd:
            words = f"--{name.replace('_', '-')} is {_percent(stated)}, and {_percent(planned_sd)} was planned"
            yield Departure("spread", words)
    for metric in metrics:
        if metric not in plan.metrics:
            yield Departure("metric", f"{metric_of(metric).label} was not planned", makes_lead=True)
    for metric in plan.metrics:
        if metric not in metrics:
            yield Departure("metric", f"{metric_of(metric).label} was planned but is not compared", makes_lead=True)
    for what, planned, used in (
        ("part before", plan.before, drives.before),
        ("part after", plan.after, drives.after),
        ("smooth road", plan.smooth, drives.smooth),
    ):
        if used != planned:
            yield Departure("question", f"the {what} is '{used}', and '{planned}' was planned", makes_lead=True)


def _passes(plan: Plan, drives: Drives) -> Iterator[Departure]:
    """Passes that are missing from the comparison or were not planned, counted by part and road."""
    planned = Counter((drive.part, drive.road) for drive in plan.drives)
    driven = Counter((drive.conditions.part, drive.road) for drive in drives.passes)
    for (part, road), count in sorted((planned | driven).items()):
        wanted, got = planned[part, road], driven[part, road]
        if got < wanted:
            yield Departure("missing", f"{road} with {part}: {got} of {count} planned passes are here")
        elif got > wanted:
            words = f"{road} with {part}: {counted(got, 'pass')}, {wanted} planned; {got - wanted} more than planned"
            yield Departure("passes", words, makes_lead=True)


def _order(plan: Plan, drives: Drives) -> Iterator[Departure]:
    unknown = [drive.name for drive in drives.passes if not drive.started]
    if unknown:
        words = f"{some(unknown)} do not say when they began, so nothing shows that the plan came first"
        yield Departure("order", words, makes_lead=True)
    dated = sorted(((drive.started, drive) for drive in drives.passes if drive.started), key=lambda pair: pair[0])
    driven = [drive for _, drive in dated]
    if dated and dated[0][0] < plan.written:
        words = f"the plan was written at {plan.written:%Y-%m-%d %H:%M} UTC, after {driven[0].name} had been driven"
        yield Departure("order", words, makes_lead=True)
    places = {drive.key: place for place, drive in enumerate(plan.drives)}
    known = [(places[key_of(drive)], drive.name) for drive in driven if key_of(drive) in places]
    moved = len(known) - _longest_rise([place for place, _ in known])
    if moved:
        first = next(name for (place, name), (fit, _) in zip(known, sorted(known), strict=True) if place != fit)
        words = f"{moved} of {len(known)} passes were not driven in their planned order, starting with {first}"
        yield Departure("order", words)
    if driven and not unknown:
        parts = [drive.part for drive in plan.drives], [drive.conditions.part for drive in driven]
        planned, count = (sum(part != following for part, following in pairwise(in_turn)) for in_turn in parts)
        if count != planned:
            words = f"changes of the part between passes: {count}, and {planned} planned"
            yield Departure("refits" if count > planned else "order", words)
        on_days = len(set(days(driven).values()))
        if on_days != plan.planned_design.days:
            yield Departure("order", f"days driven on: {on_days}, and {plan.planned_design.days} planned")


def _longest_rise(places: Sequence[int]) -> int:
    """Length of the longest non-decreasing subsequence: passes that kept their order, repeated ones included."""
    ends: list[int] = []
    for place in places:
        at = bisect_right(ends, place)
        ends[at : at + 1] = [place]
    return len(ends)


def _conditions(plan: Plan, drives: Drives) -> Iterator[Departure]:
    hold, planned_kmh = plan.hold, {road.name: road.speed_kmh for road in plan.roads}
    speeds: dict[tuple[str, str], list[str]] = defaultdict(list)
    for drive in drives.passes:
        aimed, planned = drive.conditions.speed_kmh, planned_kmh.get(drive.road)
        if planned is not None and aimed != planned:
            speed = "an unknown speed" if aimed is None else f"{aimed:g} km/h"
            speeds[drive.road, f"driven aiming at {speed}, and {planned:g} km/h was planned"].append(drive.name)
    for (road, words), captures in speeds.items():
        yield Departure("speed", f"{road}: {some(captures)} {words}")
    for field, planned_text in (
        ("vehicle", plan.vehicle),
        ("box_position", hold.box_position),
        ("mounting", hold.mounting),
    ):
        others = [drive for drive in drives.passes if planned_text and getattr(drive.conditions, field) != planned_text]
        if others:
            said = ", ".join(sorted({f"'{getattr(drive.conditions, field)}'" for drive in others}))
            names = some([drive.name for drive in others])
            words = f"{field.replace('_', ' ')} was planned as '{planned_text}', but is {said} in {names}"
            yield Departure("conditions", words)
    changed = ["after"] if plan.control == "positive" else []
    yield from _pressures(hold.tyre_pressures_kpa, [drive for drive in drives.passes if drive.side not in changed])
    yield from _temperatures(hold.air_temperature_c, drives)


def _pressures(planned: str, passes: Sequence[Pass]) -> Iterator[Departure]:
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
        yield Departure("conditions", f"tyre pressures were planned as {planned} kPa, but in {names} are {said}")


def _temperatures(planned: tuple[float, float] | None, drives: Drives) -> Iterator[Departure]:
    if planned is None:
        return
    known = {drive.name: c for drive in drives.passes if (c := drive.conditions.air_temperature_c) is not None}
    low, high = planned
    if outside := [name for name, c in known.items() if not low <= c <= high]:
        yield Departure("conditions", f"the air was planned at {low:g} to {high:g} °C, but was not in {some(outside)}")
    if unsaid := [drive.name for drive in drives.passes if drive.name not in known]:
        words = f"the air temperature was to be held, but is not written down in {some(unsaid)}"
        yield Departure("conditions", words)


def _percent(share: float | None) -> str:
    return "not stated" if share is None else f"{100 * share:g} %"


def _numbers(text: str) -> list[float]:
    return [float(word) for word in text.replace(",", " ").split()]
