"""The run sheet: the plan as a page to print and as plain text, one line a drive to tick and to write on."""

from __future__ import annotations

import shlex
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from towertap.compare.plan.order import protection
from towertap.compare.plan.plan import FELT, Plan, write_plan
from towertap.compare.stats.power import MOST_PASSES
from towertap.errors import CallError
from towertap.signals.axes import EXAMPLE
from towertap.signals.metrics import METRICS

CHANGE = (
    "torques as the maker states them, rubber-bonded bushes tightened at ride height",
    "driven in slowly: brakes, steering, a look underneath for anything loose; then 20 km to settle",
    "box and lanyard checked by hand, not moved; cable clear of wheel, steering and exhaust",
    "tyre pressures set cold; 15 min of driving before the first pass",
)
"""What is ticked at each installation of the part before it is driven over."""

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

WRITE_DOWN = ("start", "tyres FL FR RL RR, kPa", "air, °C", "traffic, line, wet, wind")


def write_plan_and_sheets(plan: Plan, folder: Path) -> dict[str, Path]:
    """Write plan.json and the run sheet as page and text into `folder`, made if need be; returns the paths by kind.

    Raises CallError where there is a plan already or nothing can be written.
    """
    sheets = {folder / f"run_sheet.{suffix}": run_sheet(plan, suffix) for suffix in ("html", "txt")}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_plan(plan, folder / "plan.json")
        for path, text in sheets.items():
            path.write_text(text, "utf-8")
    except OSError as error:
        raise CallError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None
    return dict(zip(("plan", "html", "text"), (folder / "plan.json", *sheets), strict=True))


def run_sheet(plan: Plan, suffix: str) -> str:
    """Fill the run sheet of a plan, `suffix` being "html" (self-contained) or "txt"."""
    environment = Environment(
        loader=PackageLoader("towertap.report", "."),
        autoescape=suffix == "html",
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(f"run_sheet.{suffix}.j2").render(
        plan=plan,
        facts=facts(plan),
        felt=FELT,
        change=CHANGE,
        record=recording(plan),
        hold=[*_as_planned(plan), *HOLD],
        cautions=CAUTIONS,
        write_down=WRITE_DOWN,
        width=max(len(road.name) for road in plan.roads),
    )


def recording(plan: Plan) -> list[tuple[str, str]]:
    """The commands that record the drives, so that names are spelt as in the plan: pairs of what for and command."""
    drive = plan.drives[0]
    command = ["towertap", "record", "--plan", "plan.json", "--out", "drives"]
    again = [*command, "--part", drive.part, "--road", drive.road, "--pass", str(drive.pass_number)]
    return [
        ("Each drive in turn, the next one not yet in the folder drives", shlex.join(command)),
        ("One again, here the first", shlex.join(again)),
    ]


def facts(plan: Plan) -> list[tuple[str, str]]:
    """The plan in pairs of a name and a sentence."""
    roads = ", ".join(
        f"{road.name} at {road.speed_kmh:g} km/h{' (the smooth one)' if road.name == plan.smooth else ''}"
        for road in plan.roads
    )
    primary, *others = (METRICS[name].label for name in plan.metrics)
    changes = len(plan.installations) - 1
    return [
        ("Vehicle", plan.vehicle),
        ("Before, after", f"{plan.before}, {plan.after}"),
        ("Roads", roads),
        ("Decided by", primary + (f" (secondary, tested apart: {', '.join(others)})" if others else "")),
        ("Margin that counts", f"{100 * plan.margin:g} %"),
        *passes_and_power(plan),
        ("Order", f"{protection(plan.blocks)}; the part is changed {'once' if changes == 1 else f'{changes} times'}"),
        ("Written", f"{plan.written:%Y-%m-%d %H:%M} UTC; roads drawn with seed {plan.seed}"),
    ]


def passes_and_power(plan: Plan) -> list[tuple[str, str]]:
    """How many passes, why so many and what they can do, in pairs of a name and a sentence."""
    strength, margin, roads = plan.strength(), f"{100 * plan.margin:g} %", len(plan.rough_roads)
    shared = "" if roads == 1 else f", each test at {100 * plan.alpha:.2g} % since {roads} roads share 5 %"
    show, hold = (
        f"{needed} passes" if needed else f"more than {MOST_PASSES} passes"
        for needed in (strength.difference_needed, strength.equivalence_needed)
    )
    return [
        ("Spread of passes", plan.spread_from),
        (
            "Passes",
            f"{plan.passes} with each part on each road, {len(plan.drives)} drives in all. For a power of "
            f"{100 * plan.power:g} %{shared}: {show} to show a change of {margin}, {hold} to call no change equivalent",
        ),
        (
            "Power",
            f"{100 * strength.difference:.0f} % to show a change of {margin}, {100 * strength.equivalence:.0f} % to "
            "call no change equivalent, if the part installed anew rides as it did",
        ),
    ]


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
