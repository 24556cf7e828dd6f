"""`towertap plan`: before driving, which design and how many passes, as a plan file and a run sheet."""

from __future__ import annotations

import secrets
import shlex
import sys
from dataclasses import asdict, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.text import Text

from towertap.cli._conditions import held_to_rules
from towertap.cli._outcome import Outcome, answers, as_rich, console
from towertap.cli._reading import counted_on_screen, reads_captures
from towertap.compare.controls import controls_with, measured
from towertap.compare.plan.choice import Wanted
from towertap.compare.plan.controls import CONTROLS
from towertap.compare.plan.order import drive_order, left_open
from towertap.compare.plan.pilot import PassSpread, load_pilot, said
from towertap.compare.plan.plan import HeldConditions, Plan, PlannedRoad
from towertap.compare.stats.planning import DESIGNS, PlannedDesign, Reach, design_of
from towertap.compare.stats.spreads import Beforehand
from towertap.doors.structured import typed
from towertap.errors import CallError
from towertap.report.run_sheet import NO_MOUNTING, driven, drives_folder, prospects, write_plan_and_sheets
from towertap.settings import setting
from towertap.signals.metrics import METRICS, RMS
from towertap.words.numbers import percent
from towertap.words.table import Table, tabulate

ASKED = {
    "vehicle": "The vehicle",
    "before": "The part fitted before, by the name that the captures will carry",
    "after": "The part fitted after",
    "smooth": "The smooth road and the speed aimed at, as NAME=KMH",
    "roads": "The rough roads, as NAME=KMH NAME=KMH …",
    "spread": "How far passes with nothing changed differ, in percent (3 to 4 is usual; a pilot knows better)",
}
"""What a plan cannot do without, and how it is asked for on a terminal."""

WHY_SPREAD = (
    " (the spread, how far passes with nothing changed differ, decides how many passes it takes: 3 to 4 % is usual, so "
    "--spread 4 is a start, and --pilot measures it)"
)

FLAGS = {"roads": "--road", "spread": "--pilot or --spread"}
SPREAD = click.FloatRange(0, 100, max_open=True)
DESIGN_HELP = (
    f"By name ({', '.join(planned.name for planned in DESIGNS)}) or as it is driven, as below. When not given, the one "
    "that tells the margin about the part at the least work."
)
AIR_C = click.FloatRange(-60, 60)


@click.command(
    name="plan",
    help="Plan a comparison: write plan.json and a run sheet (HTML and text) into FOLDER. What a plan cannot do "
    "without and is not given is asked for on a terminal.",
    epilog="\b\nA design as it is driven: A and B are stretches of passes with the part before and after,\n"
    "| ends a block, ; ends a day, ' says that the part is fitted anew: --design \"AB|B'A\".\n\n"
    "\b\nExample: towertap plan spring --vehicle minibus --before rubber --after polyurethane\n"
    "         --smooth bypass=80 --road quarry-lane=40 --spread 4 --mounting x=+X,y=+Y,z=+Z",
)
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--question", help="What is to be found out; made from the parts when not given.")
@click.option("--vehicle", help="The vehicle.")
@click.option("--before", metavar="NAME", help="The part fitted before, and fitted now.")
@click.option("--after", metavar="NAME", help="The part fitted after.")
@click.option("--smooth", metavar="NAME=KMH", help="The smooth road and the speed aimed at.")
@click.option("--road", "roads", multiple=True, metavar="NAME=KMH", help="A rough road; may be repeated.")
@click.option(
    "--metric",
    "metrics",
    multiple=True,
    default=("jerk_z",),
    show_default=True,
    type=click.Choice([metric.name for metric in METRICS.values() if metric.statistic is RMS]),
    help="The primary metric; further ones may follow, as secondary: a family of tests apart, at no cost to it.",
)
@click.option(
    "--margin",
    type=float,
    metavar="PERCENT",
    help="The change that counts; as set when not given, or 10.",
)
@click.option("--power", default=80.0, show_default=True, metavar="PERCENT", help="How surely it is to be found.")
@click.option("--spread", type=float, metavar="PERCENT", help="How far passes with nothing changed differ (s.d./mean).")
@click.option("--pilot", type=click.Path(path_type=Path), help="Folder of captures with nothing changed: the spread.")
@click.option(
    "--passes", type=click.IntRange(2, 500), help="Passes a side on each road; as many as it takes when not given."
)
@click.option("--design", help=DESIGN_HELP)
@click.option("--blocks", type=click.IntRange(1, 20), help="The design AB, AB|BA, AB|BA|AB … with so many blocks.")
@click.option(
    "--control",
    type=click.Choice(list(CONTROLS)),
    help="Plan a control: the part fitted anew, the part on another day, or a change that must show (tyre pressures up "
    "by 50 kPa, say; after is the harsher one). Four of a kind measure what is else assumed.",
)
@click.option("--refit-sd", type=SPREAD, metavar="PERCENT", help="How far installations differ; 3 when nothing says.")
@click.option("--day-sd", type=SPREAD, metavar="PERCENT", help="How far days differ; 3 when nothing says.")
@click.option(
    "--bench",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("drives/bench"),
    show_default=True,
    help="Folder of the bench records, with the controls of this vehicle.",
)
@click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), help="Seed of the drawn order; drawn as well when not given."
)
@click.option("--tyre-pressures-kpa", default="", help='To be held: "250, 250, 300, 300".')
@click.option("--air-temperature-c", type=(AIR_C, AIR_C), metavar="LOW HIGH", help="To be held, °C.")
@click.option("--box-position", default="", help="Where the box sits.")
@click.option("--mounting", default="", help='Chip axis along each vehicle axis: "x=+X,y=+Y,z=+Z".')
@reads_captures
@answers
def command(folder: Path, pilot: Path | None, passes: int | None, bench: Path, **given: Any) -> Outcome:
    """Ask for what is missing, choose design and passes, draw the order, write plan and run sheet."""
    planned = _design(given["design"], given["blocks"])
    given = _ask(given, pilot)
    roads = [_road(text) for text in (*given["roads"], given["smooth"])]
    for name in ("tyre_pressures_kpa", "box_position", "mounting"):
        if given[name]:
            held_to_rules(name, given[name])
    if not given["mounting"]:
        console.print(Text(f"Beware: {NO_MOUNTING}, or plan anew with it"), style="yellow", soft_wrap=True)
    spread = _spread(given, pilot, [road.name for road in roads[:-1]])
    for name in ("margin", "power"):
        if not 0 < given[name] < 100:
            raise CallError(f"{name} must lie between 0 and 100 %, not {given[name]:g} %")
    kept = controls_with(given["vehicle"], bench)
    known = (
        Beforehand(measured(kept, "refit", given["metrics"][0]), _fraction(given["refit_sd"])),
        Beforehand(measured(kept, "day", given["metrics"][0]), _fraction(given["day_sd"])),
    )
    wanted = Wanted(spread, given["margin"] / 100, given["power"] / 100, known, given["control"])
    able = wanted.choose(planned, passes)
    plan = _plan(given, roads, spread, able)
    designs = [] if plan.control else wanted.beside(able)
    files = write_plan_and_sheets(plan, wanted, folder)
    return Outcome(_data(plan, wanted, able, designs, files), _text(plan, wanted, designs, files, bench))


def _design(text: str | None, blocks: int | None) -> PlannedDesign | None:
    """The design asked for, if any."""
    if text and blocks:
        raise CallError("say either --design or --blocks: both name the design")
    if blocks:
        text = "|".join(("AB", "BA")[block % 2] for block in range(blocks))
    return design_of(text) if text else None


def _fraction(percent: float | None) -> float | None:
    return None if percent is None else percent / 100


def _ask(given: dict[str, Any], pilot: Path | None) -> dict[str, Any]:
    """Ask for what a plan needs and was not given; without a terminal CallError names it."""
    if given["control"] and given["before"]:
        given["after"] = given["after"] or CONTROLS[given["control"]].called.format(before=given["before"])
    missing = [name for name in ASKED if given[name] in (None, "", ()) and not (name == "spread" and pilot)]
    if missing and not sys.stdin.isatty():
        flags = ", ".join(FLAGS.get(name, f"--{name}") for name in missing)
        why = WHY_SPREAD if "spread" in missing else ""
        raise CallError(f"not said, and there is no terminal to ask on: {flags}; give them as options{why}")
    for name in missing:
        answer = click.prompt(ASKED[name], type=float if name == "spread" else str, err=True)
        given[name] = str(answer).split() if name == "roads" else answer
    if given["margin"] is None and missing:
        given["margin"] = click.prompt("The margin that counts, in percent", default=setting("margin"), err=True)
    return given | {"margin": setting("margin") if given["margin"] is None else given["margin"]}


def _road(text: str) -> PlannedRoad:
    name, _, speed = text.rpartition("=")
    try:
        road: PlannedRoad = typed({"name": name.strip(), "speed_kmh": float(speed)}, PlannedRoad, f"road '{text}'")
    except ValueError:
        raise CallError(f"'{text}' is no road with a speed: say NAME=KMH, such as quarry-lane=40") from None
    return road


def _spread(given: dict[str, Any], pilot: Path | None, roads: list[str]) -> PassSpread:
    """The spread to plan with."""
    percent: float | None = given["spread"]
    if (percent is None) == (pilot is None):
        raise CallError("say either --spread or --pilot: there is one spread to plan with")
    if pilot is not None:
        with counted_on_screen("reading the pilot") as on_progress:
            spread = load_pilot(
                pilot,
                given["metrics"][0],
                roads,
                given["box_position"],
                fresh=given["fresh"],
                workers=given["workers"],
                on_progress=on_progress,
            )
        for line in spread.left_out:
            console.print(Text(f"left out: {line}"), style="yellow")
        return spread
    if percent is None or not 0 < percent < 100:
        raise CallError(f"a spread of {percent:g} % cannot be: say a number between 0 and 100")
    return said(percent / 100, len(roads))


def _plan(given: dict[str, Any], roads: list[PlannedRoad], spread: PassSpread, able: Reach) -> Plan:
    before, after, control = given["before"], given["after"], given["control"]
    seed = secrets.randbelow(1_000_000) if given["seed"] is None else given["seed"]
    asked = CONTROLS[control].question if control else "Does it ride differently with {after} than with {before}?"
    return Plan(
        question=given["question"] or asked.format(before=before, after=after),
        vehicle=given["vehicle"],
        before=before,
        after=after,
        smooth=roads[-1].name,
        roads=tuple(roads),
        metrics=tuple(dict.fromkeys(given["metrics"])),
        margin=given["margin"] / 100,
        power=given["power"] / 100,
        spread=spread.planned,
        spread_from=spread.words,
        refit_sd=_fraction(given["refit_sd"]),
        day_sd=_fraction(given["day_sd"]),
        design=able.planned.order,
        control=control,
        seed=seed,
        hold=HeldConditions(**{field.name: given[field.name] for field in fields(HeldConditions)}),
        drives=drive_order(before, after, [road.name for road in roads], able.passes, able.planned, seed),
        written_utc=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def _data(plan: Plan, wanted: Wanted, able: Reach, designs: list[Reach], files: dict[str, Path]) -> dict[str, Any]:
    of_designs = [
        asdict(design) | {"refits": design.planned.refits, "days": design.planned.days} for design in (able, *designs)
    ]
    installation, day = (asdict(taken) for taken in wanted.taken)
    return {
        "plan": plan.to_dict(),
        "spread": {"sd": wanted.spread.sd, "df": wanted.spread.df, "planned": wanted.spread.planned},
        "installation": installation,
        "day": day,
        "passes": plan.passes,
        "assurance": wanted.assurance(able),
        "reach": of_designs[0],
        "designs": of_designs[1:],
        "files": files,
    }


def _text(plan: Plan, wanted: Wanted, designs: list[Reach], files: dict[str, Path], bench: Path) -> Group:
    path, drives = shlex.quote(str(files["plan"])), drives_folder(plan)
    kept = f" --bench {shlex.quote(str(bench))}" if plan.control else ""
    return Group(
        Text(plan.question, style="bold"),
        *(Text.assemble((f"{name}: ", "bold"), text) for name, text in (*driven(plan), *prospects(plan, wanted))),
        "",
        *([as_rich(_designs(plan, wanted, designs))] if designs else []),
        *(Text(line) for line in _cannot_answer(plan, wanted, designs)),
        Text(f"Plan: {files['plan']}\nRun sheet: {files['html']} and {files['text'].name}"),
        Text(f"Each drive: towertap record --plan {path} --out {drives}"),
        Text(f"After the drives: towertap compare {drives} --plan {path}{kept}"),
    )


def _designs(plan: Plan, wanted: Wanted, designs: list[Reach]) -> Table:
    """The work of each design, and its power about the part."""
    changes = sorted(designs[0].changes)
    rows = [
        {
            "": "as planned" if able.planned.order == plan.design else "",
            "design": able.planned.order,
            "--design": able.planned.name,
            "drives": str(2 * able.passes * len(plan.roads)),
            "refits": str(able.planned.refits),
            "days": str(able.planned.days),
            "at the end": "about the part" if wanted.aim(able) >= wanted.power else "these drives only",
            **{f"{100 * size:g} %": percent(able.part.told[able.changes.index(size)]) for size in changes},
            "equivalent": percent(able.part.equivalent),
        }
        for able in designs
    ]
    return tabulate("How surely each design tells a change of the part, and no change as equivalent", rows)


def _cannot_answer(plan: Plan, wanted: Wanted, designs: list[Reach]) -> list[str]:
    """One line on each design that does not do what is wanted and takes fewer refits, or was asked for."""
    lines = []
    for able in designs:
        planned, of_plan = able.planned, able.planned.order == plan.design
        if wanted.aim(able) < wanted.power and (of_plan or planned.refits < plan.planned_design.refits):
            whose = left_open(planned)
            rarely = "; equivalent is rarely to be had, however many passes" if whose == "the day's" else ""
            change = f"a change of {100 * plan.margin:g} %"
            lines.append(f"{planned.order} cannot answer whether {change} is the part's or {whose}{rarely}.")
    return lines
