"""`towertap plan`: before driving, which design and how many passes, as a plan file and a run sheet."""

import secrets
import shlex
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.text import Text

from towertap.cli._outcome import FOLDER, PATH, Outcome, answers, as_rich, console
from towertap.cli._plan_asking import asked, fraction, name, road, share
from towertap.cli._reading import bench_option, counted_on_screen, reads_captures
from towertap.compare.controls import controls_with, known_before
from towertap.compare.plan.choice import Wanted, drive_order, left_open
from towertap.compare.plan.controls import CONTROLS
from towertap.compare.plan.pilot import PassSpread, load_pilot, said
from towertap.compare.plan.plan import HeldConditions, Plan
from towertap.compare.stats.planning import DESIGNS, MOST_PASSES, Reach, design_of
from towertap.doors.times import now_utc
from towertap.errors import AnalysisError, CallError
from towertap.report.run_sheet import NO_MOUNTING, driven, drives_folder, prospects, write_plan_and_sheets
from towertap.settings import setting
from towertap.signals.metrics import METRICS, RMS
from towertap.words.numbers import percent
from towertap.words.table import Table, tabulate

AS_GIVEN = ("vehicle", "before", "after", "margin", "power", "refit_sd", "day_sd", "control")
"""What stands in the plan as it was said."""
LIKELY = 0.5
"""A plan with less power is told to find nothing, most likely."""
LARGER = (0.05, 0.10, 0.15, 0.20, 0.30, 0.50)
"""Changes of which it is said instead that it would find them."""
DESIGN_HELP = (
    f"By name ({', '.join(planned.name for planned in DESIGNS)}) or as it is driven, as below. When not given, the one "
    "that finds a change as large as the margin at the least work."
)
BENCH = Path("drives/bench")
"""Where `record` and `compare` look for the records when the drives are in the folder `drives`."""
LEAST_SPREAD = 0.003
"""Passes over one road are never so alike: whoever says less means a part of 1 and not percent."""
AIR_C = click.FloatRange(-60, 60)


NOTATION = "A, B: the part before, after; ' fitted anew; | ends a block, ; ends a day"


@click.command(
    help="Plan a comparison: write plan.json and a run sheet (HTML and text) into FOLDER. What a plan cannot do "
    "without and is not given is asked for on a terminal.",
    epilog=f'\b\nA design as it is driven, --design "AB|B\'A":\n{NOTATION}\n\n'
    "\b\nExample: towertap plan spring --vehicle minibus --before rubber --after polyurethane\n"
    "         --smooth bypass=80 --road quarry-lane=40 --spread 4 --mounting x=+X,y=+Y,z=+Z",
)
@click.argument("folder", type=FOLDER)
@click.option("--question", help="What is to be found out; made from the parts when not given.")
@click.option("--vehicle", type=name, metavar="NAME", help="The vehicle.")
@click.option("--before", type=name, metavar="NAME", help="The part fitted before, and fitted now.")
@click.option("--after", type=name, metavar="NAME", help="The part fitted after.")
@click.option("--smooth", type=road, metavar="NAME=SPEED", help="The smooth road and the speed aimed at.")
@click.option("--road", "roads", type=road, multiple=True, metavar="NAME=SPEED", help="A rough road; may be repeated.")
@click.option(
    "--metric",
    "metrics",
    multiple=True,
    default=("jerk_z",),
    show_default=True,
    type=click.Choice([metric.name for metric in METRICS.values() if metric.statistic is RMS]),
    help="The primary metric; further ones may follow, as secondary: a family of tests apart, at no cost to it.",
)
@click.option("--margin", type=share, metavar="PERCENT", help="The change that counts; as set when not given, or 10.")
@click.option(
    "--power", type=share, default="80", show_default=True, metavar="PERCENT", help="How surely it is to be found."
)
@click.option("--spread", type=share, metavar="PERCENT", help="How far passes with nothing changed differ (s.d./mean).")
@click.option("--pilot", type=PATH, help="Folder of captures with nothing changed: the spread.")
@click.option("--passes", type=click.IntRange(2, 500), help="Passes a side on each road; else as many as it takes.")
@click.option("--design", help=DESIGN_HELP)
@click.option(
    "--control",
    type=click.Choice(list(CONTROLS)),
    help="Plan a control: the part fitted anew, the part on another day, or a change that must show (tyre pressures up "
    "by 50 kPa, say; after is the harsher one). Four of a kind measure what is else assumed.",
)
@click.option("--refit-sd", type=fraction, metavar="PERCENT", help="How far installations differ; 3 when nothing says.")
@click.option("--day-sd", type=fraction, metavar="PERCENT", help="How far days differ; 3 when nothing says.")
@bench_option
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Seed of the drawn order; else drawn as well.")
@click.option("--tyre-pressures", "tyre_pressures_kpa", help='To be held: "2.5, 2.5, 3, 3 bar", "250 kPa".')
@click.option("--air-temperature-c", type=(AIR_C, AIR_C), metavar="LOW HIGH", help="To be held, °C.")
@click.option("--box-position", help="Where the box sits.")
@click.option("--mounting", help='Chip axis along each vehicle axis: "x=+X,y=+Y,z=+Z".')
@reads_captures
@answers
def command(folder: Path, pilot: Path | None, passes: int | None, bench: Path | None, **given: Any) -> Outcome:
    """Ask for what is missing, choose design and passes, draw the order, write plan and run sheet."""
    planned = design_of(given["design"]) if given["design"] else None
    given = asked(given, pilot)
    if not given["mounting"]:
        console.print(Text(f"Caution: {NO_MOUNTING}, or plan anew with it"), style="yellow", soft_wrap=True)
    spread = _spread(given, pilot)
    kept = controls_with(given["vehicle"], bench or BENCH)
    known = known_before(kept, given["metrics"][0], given["refit_sd"], given["day_sd"])
    wanted = Wanted(spread, given["margin"], given["power"], known, given["control"])
    able = wanted.choose(planned, passes)
    plan = _plan(given, spread, able)
    designs = [] if plan.control else wanted.beside(able)
    files = write_plan_and_sheets(plan, wanted, folder)
    text = _text(plan, wanted, able, designs, files, bench)
    return Outcome(_data(plan, wanted, able, designs, files), text)


def _spread(given: dict[str, Any], pilot: Path | None) -> PassSpread:
    """The spread to plan with."""
    if (given["spread"] is None) == (pilot is None):
        raise CallError("say either --spread or --pilot: there is one spread to plan with")
    if given["spread"] is not None and given["spread"] < LEAST_SPREAD:
        percent = 100 * given["spread"]
        raise CallError(f"--spread is in percent: passes differ by more than {percent:g} %; is it {100 * percent:g}?")
    roads = [planned.name for planned in given["roads"]]
    if pilot is None:
        return said(given["spread"], len(roads))
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


def _plan(given: dict[str, Any], spread: PassSpread, able: Reach) -> Plan:
    before, after, control = given["before"], given["after"], given["control"]
    seed = secrets.randbelow(1_000_000) if given["seed"] is None else given["seed"]
    asked = CONTROLS[control].question if control else "Does it ride differently with {after} than with {before}?"
    roads = (*given["roads"], given["smooth"])
    names = [planned.name for planned in roads]
    return Plan(
        question=given["question"] or asked.format(before=before, after=after),
        smooth=given["smooth"].name,
        roads=roads,
        metrics=tuple(dict.fromkeys(given["metrics"])),
        spread=spread.planned,
        spread_from=spread.words,
        design=able.planned.order,
        seed=seed,
        hold=HeldConditions(**{field.name: given[field.name] for field in fields(HeldConditions)}),
        drives=drive_order(before, after, names, able.passes, able.planned, seed),
        written_utc=now_utc(),
        **{field: given[field] for field in AS_GIVEN},
    )


def _data(plan: Plan, wanted: Wanted, able: Reach, designs: list[Reach], files: dict[str, Path]) -> dict[str, Any]:
    of_designs = [
        asdict(design) | {"refits": design.planned.refits, "days": design.planned.days} for design in (able, *designs)
    ]
    installation, day = wanted.taken
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


def _text(
    plan: Plan, wanted: Wanted, able: Reach, designs: list[Reach], files: dict[str, Path], bench: Path | None
) -> Group:
    of_plan, out = ["--plan", str(files["plan"])], drives_folder(plan)
    beside = [] if bench in (None, setting("bench")) and not plan.control else ["--bench", str(bench or BENCH)]
    record = ["towertap", "record", *of_plan, "--out", out]
    steps = {
        "print": f"{files['html']} (as plain text: {files['text'].name})",
        "before the first drive": shlex.join([*record, "--preflight"]),
        "drive": shlex.join(record),
        "after the last drive": shlex.join(["towertap", "compare", out, *of_plan, *beside]),
    }
    return Group(
        Text(plan.question, style="bold"),
        *([Text(_too_weak(plan, wanted, able), "yellow")] if able.part.told[0] < LIKELY and not plan.control else []),
        *(Text.assemble((f"{what}: ", "bold"), text) for what, text in (*driven(plan), *prospects(plan, wanted))),
        "",
        *([as_rich(_designs(plan, designs))] if designs else []),
        *([Text(NOTATION, "dim")] if designs else []),
        *(Text(line) for line in _cannot_answer(plan, wanted, designs)),
        Text(f"Plan: {files['plan']}\n"),
        Text("What to do next", style="bold"),
        *(Text(f"  {step:<22}  {what}") for step, what in steps.items()),
    )


def _too_weak(plan: Plan, wanted: Wanted, able: Reach) -> str:
    """That the plan will most likely not find the change that counts, and what would."""
    try:
        enough = wanted.choose(None, None)
        ways = [f"--passes {enough.passes} --design {enough.planned.name}"]
    except AnalysisError:
        ways = [f"passes that are more alike, since no design does with {MOST_PASSES} of these"]
    margins = ((size, replace(wanted, margin=size)) for size in LARGER if size > plan.margin)
    able_at = ((size, larger.aim(larger.able(able.planned, able.passes))) for size, larger in margins)
    if size := next((size for size, power in able_at if power >= plan.power), None):
        ways.append(f"a change of {100 * size:g} %")
    return (
        f"Caution: as planned it will most likely find nothing: a change of {100 * plan.margin:g} % shows in "
        f"{percent(able.part.told[0])} of such plans. For {percent(plan.power)} it takes {', or '.join(ways)}."
    )


def _designs(plan: Plan, designs: list[Reach]) -> Table:
    """The work of each design, and its power about the part."""
    changes = sorted(designs[0].changes)
    rows = [
        {
            "design": able.planned.order + " ←" * (able.planned.order == plan.design),
            "drives": str(2 * able.passes * len(plan.roads)),
            "refits": str(able.planned.refits),
            "days": str(able.planned.days),
            **{f"{100 * size:g} %": percent(able.part.told[able.changes.index(size)]) for size in changes},
            "equivalent": percent(able.part.equivalent),
        }
        for able in designs
    ]
    return tabulate("About the part: how often each design (← planned) finds a change, or equivalence", rows)


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
