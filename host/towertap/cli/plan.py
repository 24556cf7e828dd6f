"""`towertap plan`: choose design and number of passes, and write a plan file and a run sheet."""

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
from towertap.cli._reading import bench_option, counted_on_screen, percent_option, reads_captures
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
"""Options that go into the plan unchanged."""
LIKELY = 0.5
"""With less power, the user is warned that the plan will most likely find nothing."""
LARGER = (0.05, 0.10, 0.15, 0.20, 0.30, 0.50)
"""The warning names the smallest of these changes that the plan would find."""
DESIGN_HELP = (
    f"The design, by name ({', '.join(planned.name for planned in DESIGNS)}) or in the notation below. Default: the "
    "one that finds a change as large as the margin with the least work."
)
BENCH = Path("drives/bench")
"""Where `record` and `compare` look for bench records if the drives are in the folder `drives`."""
LEAST_SPREAD = 0.003
"""Passes over one road never differ so little: a smaller number is a fraction where percent was meant."""
AIR_C = click.FloatRange(-60, 60)

NOTATION = "A, B: the part before, after; ' fitted again; | ends a block, ; ends a day"


@click.command(
    help="Plan a comparison: write plan.json and a run sheet (HTML and text) into FOLDER. On a terminal it asks for "
    "what is needed and not given.",
    epilog=f'\b\nA design in its notation, --design "AB|B\'A":\n{NOTATION}\n\n'
    "\b\nExample: towertap plan spring --vehicle minibus --before rubber --after polyurethane\n"
    "         --smooth bypass=80 --road quarry-lane=40 --spread 4 --mounting x=+X,y=+Y,z=+Z",
)
@click.argument("folder", type=FOLDER)
@click.option("--question", help="The question to answer. Default: made from the names of the parts.")
@click.option("--vehicle", type=name, metavar="NAME", help="The vehicle.")
@click.option("--before", type=name, metavar="NAME", help="The part fitted before, and fitted now.")
@click.option("--after", type=name, metavar="NAME", help="The part fitted after.")
@click.option("--smooth", type=road, metavar="NAME=SPEED", help="The smooth road and its target speed.")
@click.option("--road", "roads", type=road, multiple=True, metavar="NAME=SPEED", help="A rough road; may be repeated.")
@click.option(
    "--metric",
    "metrics",
    multiple=True,
    default=("jerk_z",),
    show_default=True,
    type=click.Choice([metric.name for metric in METRICS.values() if metric.statistic is RMS]),
    help="The primary metric. Repeat for secondary ones: a separate family of tests, which costs the primary no power.",
)
@percent_option("--margin", type=share, help="The change that counts. Default: as set, or 10.")
@percent_option("--power", type=share, default="80", show_default=True, help="Chance of finding a change that large.")
@percent_option("--spread", type=share, help="How far passes with nothing changed differ (s.d./mean).")
@click.option("--pilot", type=PATH, help="Folder of captures with nothing changed, to measure the spread.")
@click.option("--passes", type=click.IntRange(2, 500), help="Passes per side on each road. Default: as many as needed.")
@click.option("--design", help=DESIGN_HELP)
@click.option(
    "--control",
    type=click.Choice(list(CONTROLS)),
    help="Plan a control: the same part refitted, the same part on another day, or a change that must show (such as "
    "tyre pressures raised by 50 kPa; 'after' is the harsher one). Four controls of a kind replace the assumed value.",
)
@percent_option("--refit-sd", type=fraction, help="How far installations differ. Default: from controls, or 3.")
@percent_option("--day-sd", type=fraction, help="How far days differ. Default: from controls, or 3.")
@bench_option
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Seed of the random order. Default: random.")
@click.option("--tyre-pressures", "tyre_pressures_kpa", help='Tyre pressures to keep: "2.5, 2.5, 3, 3 bar", "250 kPa".')
@click.option("--air-temperature-c", type=(AIR_C, AIR_C), metavar="LOW HIGH", help="Air temperatures to keep to, °C.")
@click.option("--box-position", help="Where the box sits.")
@click.option("--mounting", help='Chip axis along each vehicle axis: "x=+X,y=+Y,z=+Z".')
@reads_captures
@answers
def command(folder: Path, pilot: Path | None, passes: int | None, bench: Path | None, **given: Any) -> Outcome:
    """Ask for what is missing, choose design and passes, draw the order, write plan and run sheet."""
    design = design_of(given["design"]) if given["design"] else None
    given = asked(given, pilot)
    if not given["mounting"]:
        console.print(Text(f"Caution: {NO_MOUNTING}, or plan again with it"), style="yellow", soft_wrap=True)
    spread = _spread(given, pilot)
    controls = controls_with(given["vehicle"], bench or BENCH)
    known = known_before(controls, given["metrics"][0], given["refit_sd"], given["day_sd"])
    wanted = Wanted(spread, given["margin"], given["power"], known, given["control"])
    reach = wanted.choose(design, passes)
    plan = _plan(given, spread, reach)
    designs = [] if plan.control else wanted.beside(reach)
    files = write_plan_and_sheets(plan, wanted, folder)
    text = _text(plan, wanted, reach, designs, files, bench)
    return Outcome(_data(plan, wanted, reach, designs, files), text)


def _spread(given: dict[str, Any], pilot: Path | None) -> PassSpread:
    if (given["spread"] is None) == (pilot is None):
        raise CallError("give either --spread or --pilot, not both")
    if given["spread"] is not None and given["spread"] < LEAST_SPREAD:
        percent = 100 * given["spread"]
        raise CallError(
            f"--spread is in percent, and passes differ by more than {percent:g} %; did you mean {100 * percent:g}?"
        )
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


def _plan(given: dict[str, Any], spread: PassSpread, reach: Reach) -> Plan:
    before, after, control = given["before"], given["after"], given["control"]
    seed = secrets.randbelow(1_000_000) if given["seed"] is None else given["seed"]
    question = CONTROLS[control].question if control else "Does it ride differently with {after} than with {before}?"
    roads = (*given["roads"], given["smooth"])
    names = [planned.name for planned in roads]
    return Plan(
        question=given["question"] or question.format(before=before, after=after),
        smooth=given["smooth"].name,
        roads=roads,
        metrics=tuple(dict.fromkeys(given["metrics"])),
        spread=spread.planned,
        spread_from=spread.words,
        design=reach.planned.order,
        seed=seed,
        hold=HeldConditions(**{field.name: given[field.name] for field in fields(HeldConditions)}),
        drives=drive_order(before, after, names, reach.passes, reach.planned, seed),
        written_utc=now_utc(),
        **{field: given[field] for field in AS_GIVEN},
    )


def _data(plan: Plan, wanted: Wanted, reach: Reach, designs: list[Reach], files: dict[str, Path]) -> dict[str, Any]:
    design_data = [
        asdict(design) | {"refits": design.planned.refits, "days": design.planned.days} for design in (reach, *designs)
    ]
    installation, day = wanted.taken
    return {
        "plan": plan.to_dict(),
        "spread": {"sd": wanted.spread.sd, "df": wanted.spread.df, "planned": wanted.spread.planned},
        "installation": installation,
        "day": day,
        "passes": plan.passes,
        "assurance": wanted.assurance(reach),
        "reach": design_data[0],
        "designs": design_data[1:],
        "files": files,
    }


def _text(
    plan: Plan, wanted: Wanted, reach: Reach, designs: list[Reach], files: dict[str, Path], bench: Path | None
) -> Group:
    plan_option, out = ["--plan", str(files["plan"])], drives_folder(plan)
    bench_option = [] if bench in (None, setting("bench")) and not plan.control else ["--bench", str(bench or BENCH)]
    record = ["towertap", "record", *plan_option, "--out", out]
    steps = {
        "print": f"{files['html']} (as plain text: {files['text'].name})",
        "before the first drive": shlex.join([*record, "--preflight"]),
        "drive": shlex.join(record),
        "after the last drive": shlex.join(["towertap", "compare", out, *plan_option, *bench_option]),
    }
    named = ", ".join(f"{each.planned.order} is {each.planned.name}" for each in designs if each.planned.name)
    return Group(
        Text(plan.question, style="bold"),
        *([Text(_too_weak(plan, wanted, reach), "yellow")] if reach.part.told[0] < LIKELY and not plan.control else []),
        *(Text.assemble((f"{what}: ", "bold"), text) for what, text in (*driven(plan), *prospects(plan, wanted))),
        "",
        *([as_rich(_designs(plan, designs))] if designs else []),
        *([Text(f"{NOTATION}\nNames for --design: {named}", "dim")] if designs else []),
        *(Text(line) for line in _cannot_answer(plan, wanted, designs)),
        Text(f"Plan: {files['plan']}\n"),
        Text("What to do next", style="bold"),
        *(Text(f"  {step:<22}  {what}") for step, what in steps.items()),
    )


def _too_weak(plan: Plan, wanted: Wanted, reach: Reach) -> str:
    """Warning that the plan will most likely not find the change that counts, and what would find it."""
    try:
        enough = wanted.choose(None, None)
        ways = [f"--passes {enough.passes} --design {enough.planned.name}"]
    except AnalysisError:
        ways = [f"passes that differ less, since with these no design of up to {MOST_PASSES} passes is enough"]
    margins = ((size, replace(wanted, margin=size)) for size in LARGER if size > plan.margin)
    powers = ((size, larger.aim(larger.able(reach.planned, reach.passes))) for size, larger in margins)
    if size := next((size for size, power in powers if power >= plan.power), None):
        ways.append(f"a change of {100 * size:g} %")
    return (
        f"Caution: this plan will most likely find nothing. A change of {100 * plan.margin:g} % shows in "
        f"{percent(reach.part.told[0])} of such plans. For {percent(plan.power)} it takes {', or '.join(ways)}."
    )


def _designs(plan: Plan, designs: list[Reach]) -> Table:
    """The work of each design, and its power about the part."""
    changes = sorted(designs[0].changes)
    rows = [
        {
            "design": reach.planned.order + " ←" * (reach.planned.order == plan.design),
            "drives": str(2 * reach.passes * len(plan.roads)),
            "refits": str(reach.planned.refits),
            "days": str(reach.planned.days),
            **{f"{100 * size:g} %": percent(reach.part.told[reach.changes.index(size)]) for size in changes},
            "equivalent": percent(reach.part.equivalent),
        }
        for reach in designs
    ]
    return tabulate("About the part: how often each design (← planned) finds a change, or equivalence", rows)


def _cannot_answer(plan: Plan, wanted: Wanted, designs: list[Reach]) -> list[str]:
    """One line for each design with too little power that was asked for, or takes fewer refits than the planned one."""
    lines = []
    for reach in designs:
        design, is_planned = reach.planned, reach.planned.order == plan.design
        if wanted.aim(reach) < wanted.power and (is_planned or design.refits < plan.planned_design.refits):
            whose = left_open(design)
            rarely = "; it can rarely show equivalence, however many passes" if whose == "the day's" else ""
            change = f"a change of {100 * plan.margin:g} %"
            lines.append(f"{design.order} cannot answer whether {change} is the part's or {whose}{rarely}.")
    return lines
