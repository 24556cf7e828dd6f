"""The run sheet: the plan as a printable page and as plain text, with a line per drive to tick and write on."""

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
    "torques": "as the maker states them, rubber-bonded bushes tightened at ride height",
    "tyres": "pressures set cold, before the first driving of the day; not changed later that day",
    "driven in": "slowly: brakes, steering, a look underneath for anything loose; then 20 km to settle",
    "box": "box and lanyard checked by hand, not moved; cable clear of wheel, steering and exhaust",
    "warm": "15 min of driving before the first pass",
}
"""Checks to tick before drives, in order, by their name on the sheet."""
READY = ("tyres", "box", "warm")
"""Checks before the first pass of each part or day; after fitting a part, all of them."""

HARDLY = 0.2
"""With less power, `equivalent` is rarely the verdict."""

HOLD = (
    "speed within ±3 km/h, by the same instrument; the same line, within a hand's breadth over the rough places",
    "the same people in the same seats, fuel within a quarter of the tank, the same tyres",
    "the road dry every time, or wet every time; one direction, the same start and end",
    "nobody looks at the values before the last pass is done",
)
"""What stays the same in every pass, in addition to what the plan says."""

CAUTIONS = (
    "Law, limits and conditions come first. Do not drive a pass that would break them. Any pass can be broken off: "
    "note it and drive it again.",
    "The driver drives. A passenger records, marks and writes; the computer is strapped down, not on a lap.",
    "Put axle stands under the points that the maker names. Nobody goes under a vehicle on a jack alone or sits in a "
    "lifted one. A compressed spring can kill: use rated compressors, or a workshop.",
    "Fix nothing to an airbag, its cover or its wiring, and route nothing across them.",
    "Have any step done for you that you are not trained for. A finding does not approve a part for the road.",
)
"""The short form of the safety page."""

NO_MOUNTING = f"the plan does not say how the box is mounted: give every record its --mounting, like {EXAMPLE}"
"""`record` refuses to start without it, so better to know before sitting in the vehicle."""

WRONG = (
    "Safety first: stop where it is safe; never try to save a pass.",
    "Not sound (read the recorder only when stopped), broken off, braked, gave way or left the line: write down why "
    "before anybody sees its values, and drive it again at once, under the same number.",
    "Cannot be driven again today: leave the line unticked and go on; compare says what is missing.",
    "Box or mounting moved, or a tyre changed: stop. What came before and after cannot be compared.",
)
"""What to do when a drive goes wrong."""

WRITE_DOWN = ("start", "tyres FL FR RL RR, kPa", "air, °C", "traffic, line, wet, wind")
DRIVES_MM, STAGE_MM, ROW_MM = 184.0, 13.0, (5.0, 10.0)
"""Heights: all stages with their drives on the first page; a stage's heading; a drive, at least and at most."""


@dataclass(frozen=True)
class Stage:
    """Consecutive drives with one installation on one day: what is done first, and its `checks` by name."""

    heading: str
    part: str
    begins: str
    checks: tuple[str, ...]
    drives: list[PlannedDrive]


def write_plan_and_sheets(plan: Plan, wanted: Wanted, folder: Path) -> dict[str, Path]:
    """Write plan.json and the run sheet as page and text into `folder`, created if needed; returns the paths by kind.

    The sheet says how much of what is `wanted` the plan can do. Raises CallError if a plan exists already or the folder
    cannot be written.
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
    """The run sheet of the plan that will be at `path`; `suffix` is "html" (self-contained) or "txt"."""
    all_stages = list(stages(plan))
    ticked = {check for stage in all_stages for check in stage.checks}
    values = {
        "plan": plan,
        "facts": [*facts(plan), *prospects(plan, wanted)],
        "stages": all_stages,
        "checks": {check: words for check, words in CHECKS.items() if check in ticked},
        "record": recording(plan, path),
        "hold": [*_as_planned(plan), *HOLD],
        "cautions": CAUTIONS,
        "wrong": WRONG,
        "write_down": WRITE_DOWN,
        "row_mm": min(ROW_MM[1], max(ROW_MM[0], (DRIVES_MM - STAGE_MM * len(all_stages)) / len(plan.drives))),
        "width": max(len(road.name) for road in plan.roads),
    }
    name = f"run_sheet.{suffix}.j2"
    return page_of(name, **values) if suffix == "html" else template(name).render(values)


def stages(plan: Plan) -> Iterator[Stage]:
    """The drives in order, split where a part is fitted, a control's change is made, or a day begins."""
    planned, fits_parts = plan.planned_design, plan.control not in ("day", "positive")
    runs = groupby(plan.stretches, lambda stretch: (stretch[0].after, stretch[0].installation, stretch[0].day))
    parts = [
        (installation, day, [drive for _, drives in run for drive in drives]) for (_, installation, day), run in runs
    ]
    noun = "Installation" if fits_parts and len(parts) == planned.refits + 1 else "Stretch"
    before, last = "", 0
    for number, (installation, day, drives) in enumerate(parts, start=1):
        part, is_refit = drives[0].part, fits_parts and installation != last
        on_day = f", day {day}" if planned.days > 1 else ""
        begins = _begins(before, part, is_refit, plan.control)
        checks = tuple(CHECKS) if is_refit else READY
        yield Stage(f"{noun} {number} of {len(parts)}{on_day}", part, begins, checks, drives)
        before, last = part, installation


def _begins(before: str, part: str, is_refit: bool, control: str | None) -> str:
    """What is done before the drives with a part, in words."""
    if not before:
        return "fitted"
    if control == "positive":
        return f"change nothing but this: from {before} to {part}"
    if is_refit and before != part and not control:
        return f"{before} out, {part} in"
    renamed = f"; from here on it is called {part}" if before != part else ""
    return f"{'taken out and refitted' if is_refit else 'left fitted'}{renamed}"


def drives_folder(plan: Plan) -> str:
    """The folder of its drives; a control has its own, since its passes are numbered separately."""
    return CONTROLS[plan.control].name.replace(" ", "-") if plan.control else "drives"


def recording(plan: Plan, path: Path) -> list[tuple[str, str]]:
    """Pairs of purpose and command to record the drives, with names spelt as in the plan."""
    drive, folder = plan.drives[0], drives_folder(plan)
    command = ["towertap", "record", "--plan", str(path), "--out", folder]
    again = [*command, "--part", drive.part, "--road", drive.road, "--pass", str(drive.pass_number)]
    return [
        (f"The next drive that is not yet in the folder {folder}", shlex.join(command)),
        ("A drive again, here the first", shlex.join(again)),
    ]


def facts(plan: Plan) -> list[tuple[str, str]]:
    """The plan, as pairs of a name and a sentence."""
    roads = ", ".join(
        f"{road.name} at {road.speed_kmh:g} km/h{' (the smooth one)' if road.name == plan.smooth else ''}"
        for road in plan.roads
    )
    primary, *others = (METRICS[name].label for name in plan.metrics)
    over_all = " over all rough roads together" if len(plan.rough_roads) > 1 else ""
    secondary = f" (secondary, tested separately: {', '.join(others)})" if others else ""
    return [
        ("Vehicle", plan.vehicle),
        ("Before, after", f"{plan.before}, {plan.after}"),
        ("Roads", roads),
        ("Decided by", primary + over_all + secondary),
        ("Margin that counts", f"{100 * plan.margin:g} %"),
        ("Written", f"{plan.written:%Y-%m-%d %H:%M} UTC; road order drawn with seed {plan.seed}"),
        *driven(plan),
    ]


def driven(plan: Plan) -> list[tuple[str, str]]:
    """What is driven, as pairs of a name and a sentence."""
    planned = plan.planned_design
    work = f"{counted(planned.refits, 'refit')} of the part, {counted(planned.days, 'day')}; {drift(planned)}"
    return [
        ("Design", f"{planned.order}: {CONTROLS[plan.control].name if plan.control else work}"),
        ("Passes", f"{plan.passes} with each part on each road, {len(plan.drives)} drives in all"),
        ("Spread of passes", plan.spread_from),
    ]


def prospects(plan: Plan, wanted: Wanted) -> list[tuple[str, str]]:
    """The assumed spread of installations and days, and what the plan can do, as pairs of a name and a sentence."""
    from towertap.compare.findings.describe import SOURCES  # imported late, to keep `plan --help` fast

    spreads = dict.fromkeys(f"{100 * spread.sd:.2g} % ({SOURCES[spread.source]})" for spread in wanted.taken)
    able = wanted.able(plan.planned_design, plan.passes)
    averaged = wanted.assurance(able)
    rows = [("Installations, days", f"expected to differ by {' and by '.join(spreads)}")]
    if not plan.control:
        rows.append(("About the part", _power(plan.margin, able.part, averaged)))
    return [*rows, ("These drives", _power(plan.margin, able.drives, averaged if plan.control else None))]


def _power(margin: float, power: Power, assurance: float | None) -> str:
    """The power of one statement, in words."""
    averaged = "" if assurance is None else f" ({percent(assurance)} averaged over the likely spreads)"
    hardly = ", which is rare" if power.equivalent < HARDLY else ""
    return (
        f"a change of {100 * margin:g} % is found in {percent(power.told[0])} of such plans{averaged}; with no change "
        f"at all, {percent(power.equivalent)} come out equivalent{hardly}"
    )


def _as_planned(plan: Plan) -> list[str]:
    """What this plan keeps the same in every pass."""
    hold, lines = plan.hold, []
    if hold.tyre_pressures_kpa:
        lines.append(f"tyre pressures {hold.tyre_pressures_kpa} kPa (±5), set cold and read again at the end")
    if hold.air_temperature_c:
        lines.append("air {:g} to {:g} °C".format(*hold.air_temperature_c))
    if not hold.mounting:
        lines.append(NO_MOUNTING)
    if hold.box_position or hold.mounting:
        lines.append(f"the box: {', '.join(filter(None, (hold.box_position, hold.mounting)))}")
    return lines
