"""`towertap plan`: before driving, how many passes it takes and in which order, as a plan file and a run sheet."""

from __future__ import annotations

import secrets
import shlex
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.box import SIMPLE
from rich.console import Group
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from towertap.cli._outcome import Outcome, answers, console
from towertap.cli.decode import held_to_rules
from towertap.compare.plan.order import drive_order, protection, shared_alike
from towertap.compare.plan.pilot import load_pilot
from towertap.compare.plan.plan import FELT, Held, Plan, Road, write_plan
from towertap.compare.stats.power import (
    MOST_PASSES,
    Spread,
    coefficient_of_variation,
    difference_power,
    equivalence_power,
    given_spread,
)
from towertap.errors import AnalysisError, CallError
from towertap.report.run_sheet import NO_MOUNTING, numbers, run_sheet
from towertap.settings import setting
from towertap.signals.metrics import METRICS, RMS

ASKED = {
    "vehicle": "The vehicle",
    "before": "The part fitted before, by the name that the captures will carry",
    "after": "The part fitted after",
    "smooth": "The smooth road and the speed aimed at, as NAME=KMH",
    "roads": "The rough roads, as NAME=KMH NAME=KMH …",
    "spread": "How far passes with nothing changed stray, in percent (3 to 4 is usual; a pilot knows better)",
}
"""What a plan cannot do without, and how it is asked for on a terminal."""

WHY_SPREAD = (
    " (the spread, how far passes with nothing changed stray, decides how many passes it takes: 3 to 4 % is usual, so "
    "--spread 4 is a start, and --pilot measures it)"
)

FLAGS = {"roads": "--road", "spread": "--pilot or --spread"}


@click.command(
    name="plan",
    help="Plan a comparison: write plan.json and a run sheet (HTML and text) into FOLDER. What a plan cannot do "
    "without and is not given is asked for on a terminal.",
    epilog="\b\nExample: towertap plan spring --vehicle minibus --before rubber --after polyurethane\n"
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
    help="The change that counts; as set when not given, or 10. Felt: 6.7 to 13.",
)
@click.option("--power", default=80.0, show_default=True, metavar="PERCENT", help="How surely it is to be found.")
@click.option("--spread", type=float, metavar="PERCENT", help="How far passes with nothing changed stray (s.d./mean).")
@click.option("--pilot", type=click.Path(path_type=Path), help="Folder of captures with nothing changed: the spread.")
@click.option(
    "--passes", type=click.IntRange(2), help="Passes a side on each road; as many as it takes when not given."
)
@click.option(
    "--blocks",
    type=click.IntRange(1, 20),
    default=2,
    show_default=True,
    help="1: one change of the part; 2: A B B A; more: randomised blocks.",
)
@click.option("--seed", type=click.IntRange(0), help="Seed of the drawn order; drawn as well when not given.")
@click.option("--tyre-pressures-kpa", default="", help='To be held: "250, 250, 300, 300".')
@click.option("--air-temperature-c", type=(float, float), metavar="LOW HIGH", help="To be held, °C.")
@click.option("--box-position", default="", help="Where the box sits.")
@click.option("--mounting", default="", help='Chip axis along each vehicle axis: "x=+X,y=+Y,z=+Z".')
@answers
def command(folder: Path, pilot: Path | None, passes: int | None, **given: Any) -> Outcome:
    """Ask for what is missing, count the passes, draw the order, write plan and run sheet."""
    given = _ask(given, pilot)
    smooth, *rough = (_road(text) for text in (given["smooth"], *given["roads"]))
    for name in ("tyre_pressures_kpa", "box_position", "mounting"):
        if given[name]:
            held_to_rules(name, given[name])
    if not given["mounting"]:
        console.print(Text(f"Beware: {NO_MOUNTING}, or plan anew with it"), style="yellow", soft_wrap=True)
    spread, spread_from = _spread(given, pilot, [road.name for road in rough])
    blocks, seed = given["blocks"], given["seed"] if given["seed"] is not None else secrets.randbelow(1_000_000)

    def draw_up(passes: int, blocks: int) -> Plan:
        names = [road.name for road in (*rough, smooth)]
        return Plan(
            **{name: given[name] for name in ("vehicle", "before", "after")},
            question=given["question"] or f"Does it ride otherwise with {given['after']} than with {given['before']}?",
            smooth=smooth.name,
            roads=(*rough, smooth),
            metrics=tuple(dict.fromkeys(given["metrics"])),
            margin=given["margin"] / 100,
            power=given["power"] / 100,
            spread_cv=coefficient_of_variation(spread.upper),
            spread_from=spread_from,
            blocks=blocks,
            seed=seed,
            hold=Held(*(given[n] for n in ("tyre_pressures_kpa", "air_temperature_c", "box_position", "mounting"))),
            drives=drive_order(given["before"], given["after"], names, passes, blocks, seed),
            written_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        )

    if passes is None:
        passes = draw_up(shared_alike(2, blocks), blocks).strength().needed
        if passes is None:
            raise AnalysisError(
                f"even {MOST_PASSES} passes a side would not do for this margin with passes that stray by "
                f"{100 * coefficient_of_variation(spread.upper):.1f} %: make them more alike, or say --passes"
            )
        passes = shared_alike(passes, blocks)
    plan = draw_up(passes, blocks)
    choices = [draw_up(shared_alike(passes, other), other) for other in sorted({1, 2, 3, blocks})]
    sheets = {suffix: run_sheet(plan, suffix) for suffix in ("html", "txt")}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_plan(plan, folder / "plan.json")
        for suffix, text in sheets.items():
            (folder / f"run_sheet.{suffix}").write_text(text, "utf-8")
    except OSError as error:
        raise CallError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None
    return Outcome(_data(plan, spread, choices, folder), _text(plan, choices, folder))


def _ask(given: dict[str, Any], pilot: Path | None) -> dict[str, Any]:
    """Ask for what a plan needs and was not given; without a terminal CallError names it."""
    missing = [name for name in ASKED if given[name] in (None, "", ()) and not (name == "spread" and pilot)]
    if missing and not sys.stdin.isatty():
        flags = ", ".join(FLAGS.get(name, f"--{name}") for name in missing)
        why = WHY_SPREAD if "spread" in missing else ""
        raise CallError(f"not said, and there is no terminal to ask on: {flags}; give them as options{why}")
    for name in missing:
        answer = click.prompt(ASKED[name], type=float if name == "spread" else str, err=True)
        given[name] = str(answer).split() if name == "roads" else answer
    if given["margin"] is None:
        given["margin"] = setting("margin")
        if missing:
            console.print(Text(FELT))
            given["margin"] = click.prompt("The margin that counts, in percent", default=given["margin"], err=True)
    return given


def _road(text: str) -> Road:
    name, _, speed = text.rpartition("=")
    try:
        return Road(name.strip(), float(speed))
    except ValueError:
        raise CallError(f"'{text}' is no road with a speed: say NAME=KMH, such as quarry-lane=40") from None


def _spread(given: dict[str, Any], pilot: Path | None, roads: list[str]) -> tuple[Spread, str]:
    """The spread to plan with and where it comes from, in words."""
    percent: float | None = given["spread"]
    if (percent is None) == (pilot is None):
        raise CallError("say either --spread or --pilot: there is one spread to plan with")
    if pilot is not None:
        with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
            task = progress.add_task("reading the pilot", total=None)
            held = load_pilot(
                pilot,
                given["metrics"][0],
                roads,
                given["box_position"],
                lambda done, total: progress.update(task, completed=done, total=total),
            )
        for line in held.left_out:
            console.print(Text(f"left out: {line}"), style="yellow")
        return held.spread, held.words
    if percent is None or not 0 < percent < 100:
        raise CallError(f"a spread of {percent:g} % cannot be: say a number between 0 and 100")
    return given_spread(percent / 100), f"{percent:g} %, as said and not measured; a pilot would know better"


def _data(plan: Plan, spread: Spread, choices: list[Plan], folder: Path) -> dict[str, Any]:
    return {
        "plan": plan.to_dict(),
        "spread": {
            "cv": coefficient_of_variation(spread.value),
            "cv_upper": coefficient_of_variation(spread.upper),
            "df": spread.df,
        },
        "alpha": plan.alpha,
        "passes": plan.passes,
        "strength": asdict(plan.strength()),
        "orders": [
            {
                "blocks": choice.blocks,
                "changes": len(choice.installations) - 1,
                "passes": choice.passes,
                "drives": len(choice.drives),
            }
            for choice in choices
        ],
        "files": {"plan": folder / "plan.json", "html": folder / "run_sheet.html", "text": folder / "run_sheet.txt"},
    }


def _text(plan: Plan, choices: list[Plan], folder: Path) -> Group:
    path = shlex.quote(str(folder / "plan.json"))
    orders = _table("What a change of the part buys", "--blocks", "changes", "drives", "order")
    for choice in choices:
        row = (
            str(choice.blocks),
            str(len(choice.installations) - 1),
            str(len(choice.drives)),
            protection(choice.blocks),
        )
        orders.add_row(*row, style="bold" if choice.blocks == plan.blocks else "")
    return Group(
        Text(plan.question, style="bold"),
        *(Text.assemble((f"{name}: ", "bold"), text) for name, text in numbers(plan)),
        Text(f"Margin: {FELT}"),
        "",
        _strengths(plan),
        orders,
        Text(f"Plan: {folder / 'plan.json'}\nRun sheet: {folder / 'run_sheet.html'} and run_sheet.txt"),
        Text(f"Each drive: towertap record --plan {path} --out drives"),
        Text(f"After the drives: towertap compare drives --plan {path}"),
    )


def _strengths(plan: Plan) -> Table:
    """The power of both tests for a few numbers of passes about the plan's."""
    table = _table("What more passes give", "passes a side", f"shows {100 * plan.margin:g} %", "calls none equivalent")
    spread = given_spread(plan.spread_cv).value
    for passes in sorted({shared_alike(round(plan.passes * x), plan.blocks) for x in (0.5, 0.75, 1, 1.5, 2)}):
        powers = (
            difference_power(1 + plan.margin, spread, passes, plan.alpha, blocks=plan.blocks),
            equivalence_power(plan.margin, spread, passes, plan.alpha, blocks=plan.blocks),
        )
        cells = (f"{100 * power:.0f} %" for power in powers)
        table.add_row(str(passes), *cells, style="bold" if passes == plan.passes else "")
    return table


def _table(title: str, *heads: str) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE, pad_edge=False)
    for head in heads:
        table.add_column(head, justify="left" if head == "order" else "right")
    return table
