"""`towertap plan`: before driving, how many passes it takes and in which order, as a plan file and a run sheet."""

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
from rich.progress import Progress
from rich.text import Text

from towertap.cli._conditions import held_to_rules
from towertap.cli._outcome import Outcome, answers, as_rich, console
from towertap.compare.plan.order import drive_order, orders_beside, protection, shared_alike, with_passes_enough
from towertap.compare.plan.pilot import load_pilot
from towertap.compare.plan.plan import HeldConditions, Plan, PlannedRoad
from towertap.compare.stats.power import (
    PassSpread,
    coefficient_of_variation,
    difference_power,
    equivalence_power,
    given_spread,
)
from towertap.doors.structured import typed
from towertap.errors import CallError
from towertap.report.run_sheet import NO_MOUNTING, passes_and_power, write_plan_and_sheets
from towertap.settings import setting
from towertap.signals.metrics import METRICS, RMS
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
AIR_C = click.FloatRange(-60, 60)


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
    help="The change that counts; as set when not given, or 10.",
)
@click.option("--power", default=80.0, show_default=True, metavar="PERCENT", help="How surely it is to be found.")
@click.option("--spread", type=float, metavar="PERCENT", help="How far passes with nothing changed differ (s.d./mean).")
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
@click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), help="Seed of the drawn order; drawn as well when not given."
)
@click.option("--tyre-pressures-kpa", default="", help='To be held: "250, 250, 300, 300".')
@click.option("--air-temperature-c", type=(AIR_C, AIR_C), metavar="LOW HIGH", help="To be held, °C.")
@click.option("--box-position", default="", help="Where the box sits.")
@click.option("--mounting", default="", help='Chip axis along each vehicle axis: "x=+X,y=+Y,z=+Z".')
@answers
def command(folder: Path, pilot: Path | None, passes: int | None, **given: Any) -> Outcome:
    """Ask for what is missing, count the passes, draw the order, write plan and run sheet."""
    given = _ask(given, pilot)
    roads = [_road(text) for text in (*given["roads"], given["smooth"])]
    for name in ("tyre_pressures_kpa", "box_position", "mounting"):
        if given[name]:
            held_to_rules(name, given[name])
    if not given["mounting"]:
        console.print(Text(f"Beware: {NO_MOUNTING}, or plan anew with it"), style="yellow", soft_wrap=True)
    spread, spread_from = _spread(given, pilot, [road.name for road in roads[:-1]])
    plan = _plan(given, roads, spread, spread_from, passes)
    if passes is None:
        plan = with_passes_enough(plan)
    orders, files = orders_beside(plan), write_plan_and_sheets(plan, folder)
    return Outcome(_data(plan, spread, orders, files), _text(plan, orders, files))


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


def _spread(given: dict[str, Any], pilot: Path | None, roads: list[str]) -> tuple[PassSpread, str]:
    """The spread to plan with and where it comes from, in words."""
    percent: float | None = given["spread"]
    if (percent is None) == (pilot is None):
        raise CallError("say either --spread or --pilot: there is one spread to plan with")
    if pilot is not None:
        with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
            task = progress.add_task("reading the pilot", total=None)
            measured = load_pilot(
                pilot,
                given["metrics"][0],
                roads,
                given["box_position"],
                lambda done, total: progress.update(task, completed=done, total=total),
            )
        for line in measured.left_out:
            console.print(Text(f"left out: {line}"), style="yellow")
        return measured.spread, measured.words
    if percent is None or not 0 < percent < 100:
        raise CallError(f"a spread of {percent:g} % cannot be: say a number between 0 and 100")
    return given_spread(percent / 100), f"{percent:g} %, as said and not measured; a pilot would know better"


def _plan(
    given: dict[str, Any], roads: list[PlannedRoad], spread: PassSpread, spread_from: str, passes: int | None
) -> Plan:
    """The plan with so many passes, or with the fewest that its blocks can share."""
    before, after, blocks = given["before"], given["after"], given["blocks"]
    seed = secrets.randbelow(1_000_000) if given["seed"] is None else given["seed"]
    passes = shared_alike(2, blocks) if passes is None else passes
    return Plan(
        question=given["question"] or f"Does it ride differently with {after} than with {before}?",
        vehicle=given["vehicle"],
        before=before,
        after=after,
        smooth=roads[-1].name,
        roads=tuple(roads),
        metrics=tuple(dict.fromkeys(given["metrics"])),
        margin=given["margin"] / 100,
        power=given["power"] / 100,
        spread_cv=coefficient_of_variation(spread.upper),
        spread_from=spread_from,
        blocks=blocks,
        seed=seed,
        hold=HeldConditions(**{field.name: given[field.name] for field in fields(HeldConditions)}),
        drives=drive_order(before, after, [road.name for road in roads], passes, blocks, seed),
        written_utc=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def _data(plan: Plan, spread: PassSpread, orders: list[Plan], files: dict[str, Path]) -> dict[str, Any]:
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
                "blocks": order.blocks,
                "changes": len(order.installations) - 1,
                "passes": order.passes,
                "drives": len(order.drives),
            }
            for order in orders
        ],
        "files": files,
    }


def _text(plan: Plan, orders: list[Plan], files: dict[str, Path]) -> Group:
    path = shlex.quote(str(files["plan"]))
    return Group(
        Text(plan.question, style="bold"),
        *(Text.assemble((f"{name}: ", "bold"), text) for name, text in passes_and_power(plan)),
        "",
        as_rich(_strengths(plan)),
        as_rich(_orders(plan, orders)),
        Text(f"Plan: {files['plan']}\nRun sheet: {files['html']} and {files['text'].name}"),
        Text(f"Each drive: towertap record --plan {path} --out drives"),
        Text(f"After the drives: towertap compare drives --plan {path}"),
    )


def _strengths(plan: Plan) -> Table:
    """The power of both tests for a few numbers of passes about the plan's."""
    spread, rows = given_spread(plan.spread_cv).value, []
    for passes in sorted({shared_alike(round(plan.passes * share), plan.blocks) for share in (0.5, 0.75, 1, 1.5, 2)}):
        shows = difference_power(1 + plan.margin, spread, passes, plan.alpha, blocks=plan.blocks)
        holds = equivalence_power(plan.margin, spread, passes, plan.alpha, blocks=plan.blocks)
        rows.append(
            {
                "": "as planned" if passes == plan.passes else "",
                "passes a side": str(passes),
                f"shows {100 * plan.margin:g} %": f"{100 * shows:.0f} %",
                "calls none equivalent": f"{100 * holds:.0f} %",
            }
        )
    return tabulate("What more passes give", rows)


def _orders(plan: Plan, orders: list[Plan]) -> Table:
    """What other numbers of blocks cost, and what they protect from."""
    rows = [
        {
            "": "as planned" if order.blocks == plan.blocks else "",
            "--blocks": str(order.blocks),
            "changes": str(len(order.installations) - 1),
            "drives": str(len(order.drives)),
            "order": protection(order.blocks),
        }
        for order in orders
    ]
    return tabulate("What a change of the part buys", rows)
