"""The run sheet: the plan as a page to print and as plain text, one line a drive to tick and to write on."""

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from towertap.capture.mounting import EXAMPLE
from towertap.compare.plan.choice import Wanted, drift
from towertap.compare.plan.controls import CONTROLS
from towertap.compare.plan.plan import Plan, PlannedDrive, write_plan
from towertap.compare.stats.planning import Power
from towertap.errors import CallError
from towertap.report.templates import page_of, template
from towertap.signals.metrics import METRICS
from towertap.words.numbers import percent
from towertap.words.phrases import counted

CHECKS = {
    "A": "torques as the maker states them, rubber-bonded bushes tightened at ride height",
    "B": "driven in slowly: brakes, steering, a look underneath for anything loose; then 20 km to settle",
    "C": "box and lanyard checked by hand, not moved; cable clear of wheel, steering and exhaust",
    "D": "tyre pressures set cold; 15 min of driving before the first pass",
}
"""What is ticked before drives, by the letter that it has on the sheet."""
FITTED, READY = "AB", "CD"
"""Those after a part was fitted, and those before the first pass of each part or day."""

HARDLY = 0.2
"""With less power `equivalent` is rarely to be had."""

HOLD = (
    "speed within ±3 km/h, by the same instrument; the same line, within a hand's breadth over the rough places",
    "the same people in the same seats, fuel within a quarter of the tank, the same tyres",
    "the road dry every time, or wet every time; one direction, the same start and end",
    "nobody looks at the values before the last pass is done",
)
"""What is held in every pass, whatever the plan says beside it."""

CAUTIONS = (
    "Law, limits and conditions come first. A pass that would need breaking them is not driven; every pass can be "
    "broken off, is noted and driven again.",
    "The driver drives. A passenger records, marks and writes; the computer is strapped down, not on a lap.",
    "Axle stands under the points that the maker names; never under a vehicle on a jack alone, nobody in it while it "
    "is lifted. A compressed spring can kill: rated compressors, or a workshop.",
    "Nothing is fixed to or routed across an airbag, its cover or its wiring.",
    "If you are not trained for a step, have it done. A finding is no approval of a part for the road.",
)
"""The short form of the safety page."""

NO_MOUNTING = f"the plan does not say how the box is mounted: give every record its --mounting, like {EXAMPLE}"
"""A recording without it is refused, in the vehicle if nobody thinks of it before."""

WRONG = (
    "Safety first: stop where it is safe; nobody tries to save a pass.",
    "Not sound (read what the recorder says when standing), broken off, braked, gave way or left the line: write down "
    "why before its values are seen, and drive it again at once, under the same number.",
    "Cannot be driven again today: leave the box unticked and go on; compare says what is missing.",
    "Box or mounting moved, or a tyre changed: stop. What came before and after cannot be compared.",
)
"""What to do about a drive that is not as it should be."""

WRITE_DOWN = ("start", "tyres FL FR RL RR, kPa", "air, °C", "traffic, line, wet, wind")
DRIVES_MM, STAGE_MM, ROW_MM = 184.0, 9.0, (5.0, 10.0)
"""Height of all stages with their drives on the first page, of a stage's heading, and the least and most of a drive."""


@dataclass(frozen=True)
class Stage:
    """Drives in a row with one installation on one day: how they begin, and the letters of what is ticked then."""

    heading: str
    part: str
    begins: str
    checks: str
    drives: list[PlannedDrive]


def write_plan_and_sheets(plan: Plan, wanted: Wanted, folder: Path) -> dict[str, Path]:
    """Write plan.json and the run sheet as page and text into `folder`, made if need be; returns the paths by kind.

    The sheet says what the plan can do of what is `wanted`. Raises CallError where there is a plan already or nothing
    can be written.
    """
    path = folder / "plan.json"
    sheets = {folder / f"run_sheet.{suffix}": run_sheet(plan, wanted, path, suffix) for suffix in ("html", "txt")}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_plan(plan, path)
        for sheet, text in sheets.items():
            sheet.write_text(text, "utf-8")
    except OSError as error:
        raise CallError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None
    return dict(zip(("plan", "html", "text"), (path, *sheets), strict=True))


def run_sheet(plan: Plan, wanted: Wanted, path: Path, suffix: str) -> str:
    """Fill the run sheet of the plan that will be at `path`, `suffix` being "html" (self-contained) or "txt"."""
    in_turn = list(stages(plan))
    values = {
        "plan": plan,
        "facts": [*facts(plan), *prospects(plan, wanted)],
        "stages": in_turn,
        "checks": {letter: words for letter, words in CHECKS.items() if any(letter in of.checks for of in in_turn)},
        "record": recording(plan, path),
        "hold": [*_as_planned(plan), *HOLD],
        "cautions": CAUTIONS,
        "wrong": WRONG,
        "write_down": WRITE_DOWN,
        "row_mm": min(ROW_MM[1], max(ROW_MM[0], (DRIVES_MM - STAGE_MM * len(in_turn)) / len(plan.drives))),
        "width": max(len(road.name) for road in plan.roads),
    }
    name = f"run_sheet.{suffix}.j2"
    return page_of(name, **values) if suffix == "html" else template(name).render(values)


def stages(plan: Plan) -> Iterator[Stage]:
    """The drives in turn, cut where a part is fitted, the change of a control is made, or a day begins."""
    planned, fitted = plan.planned_design, plan.control not in ("day", "positive")
    runs = groupby(plan.stretches, lambda of: (of[0].after, of[0].installation, of[0].day))
    in_turn = [(installation, day, [drive for _, of in run for drive in of]) for (_, installation, day), run in runs]
    noun = "Installation" if fitted and len(in_turn) == planned.refits + 1 else "Stretch"
    before, last = "", 0
    for number, (installation, day, drives) in enumerate(in_turn, start=1):
        part, refit = drives[0].part, fitted and installation != last
        on_day = f", day {day}" if planned.days > 1 else ""
        begins = _begins(before, part, refit, plan.control)
        checks = (FITTED if refit else "") + READY
        yield Stage(f"{noun} {number} of {len(in_turn)}{on_day}", part, begins, checks, drives)
        before, last = part, installation


def _begins(before: str, part: str, refit: bool, control: str | None) -> str:
    """What is done before the drives with a part, in words."""
    if not before:
        return "fitted"
    if control == "positive":
        return f"change nothing but this: from {before} to {part}"
    if refit and before != part and not control:
        return f"{before} out, {part} in"
    renamed = f"; from here on it is called {part}" if before != part else ""
    if refit:
        return f"out and in again{renamed}"
    return f"left as it is fitted{renamed}"


def drives_folder(plan: Plan) -> str:
    """Where its drives are recorded: those of a control apart, since their passes have numbers of their own."""
    return CONTROLS[plan.control].name.replace(" ", "-") if plan.control else "drives"


def recording(plan: Plan, path: Path) -> list[tuple[str, str]]:
    """The commands that record the drives, so that names are spelt as in the plan: pairs of what for and command."""
    drive, folder = plan.drives[0], drives_folder(plan)
    command = ["towertap", "record", "--plan", str(path), "--out", folder]
    again = [*command, "--part", drive.part, "--road", drive.road, "--pass", str(drive.pass_number)]
    return [
        (f"Each drive in turn, the next one not yet in the folder {folder}", shlex.join(command)),
        ("One again, here the first", shlex.join(again)),
    ]


def facts(plan: Plan) -> list[tuple[str, str]]:
    """The plan in pairs of a name and a sentence."""
    roads = ", ".join(
        f"{road.name} at {road.speed_kmh:g} km/h{' (the smooth one)' if road.name == plan.smooth else ''}"
        for road in plan.roads
    )
    primary, *others = (METRICS[name].label for name in plan.metrics)
    over_all = " over all rough roads together" if len(plan.rough_roads) > 1 else ""
    secondary = f" (secondary, tested apart: {', '.join(others)})" if others else ""
    return [
        ("Vehicle", plan.vehicle),
        ("Before, after", f"{plan.before}, {plan.after}"),
        ("Roads", roads),
        ("Decided by", primary + over_all + secondary),
        ("Margin that counts", f"{100 * plan.margin:g} %"),
        ("Written", f"{plan.written:%Y-%m-%d %H:%M} UTC; roads drawn with seed {plan.seed}"),
        *driven(plan),
    ]


def driven(plan: Plan) -> list[tuple[str, str]]:
    """What is driven, in pairs of a name and a sentence."""
    planned = plan.planned_design
    work = f"{counted(planned.refits, 'refit')} of the part, {counted(planned.days, 'day')}; {drift(planned)}"
    return [
        ("Design", f"{planned.order}: {CONTROLS[plan.control].name if plan.control else work}"),
        ("Passes", f"{plan.passes} with each part on each road, {len(plan.drives)} drives in all"),
        ("Spread of passes", plan.spread_from),
    ]


def prospects(plan: Plan, wanted: Wanted) -> list[tuple[str, str]]:
    """What was taken of installations and days, and what the plan can do, in pairs of a name and a sentence."""
    from towertap.compare.findings.describe import SOURCES  # findings take long to load, and help waits for none

    taken = dict.fromkeys(f"{100 * of.sd:.2g} % ({SOURCES[of.source]})" for of in wanted.taken)
    able = wanted.able(plan.planned_design, plan.passes)
    averaged = wanted.assurance(able)
    rows = [("Installations, days", f"taken to differ by {', and by '.join(taken)}")]
    if not plan.control:
        rows.append(("About the part", _power(plan.margin, able.part, averaged)))
    return [*rows, ("These drives", _power(plan.margin, able.drives, averaged if plan.control else None))]


def _power(margin: float, power: Power, assurance: float | None) -> str:
    """What one statement can do, in words."""
    averaged = "" if assurance is None else f" ({percent(assurance)} on average over what the spread may be)"
    hardly = ", which is rarely to be had so" if power.equivalent < HARDLY else ""
    return (
        f"a change of {100 * margin:g} % is found in {percent(power.told[0])} of such plans{averaged}, and no change "
        f"at all is called equivalent in {percent(power.equivalent)}{hardly}"
    )


def _as_planned(plan: Plan) -> list[str]:
    """What this plan holds in every pass."""
    hold, lines = plan.hold, []
    if hold.tyre_pressures_kpa:
        lines.append(f"tyre pressures {hold.tyre_pressures_kpa} kPa (±5), set cold, read again at the end")
    if hold.air_temperature_c:
        lines.append("air {:g} to {:g} °C".format(*hold.air_temperature_c))
    if not hold.mounting:
        lines.append(NO_MOUNTING)
    if hold.box_position or hold.mounting:
        lines.append(f"the box: {', '.join(filter(None, (hold.box_position, hold.mounting)))}")
    return lines
