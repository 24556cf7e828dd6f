"""`towertap compare`: before against after, with the pass as the unit, and a report."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import get_args

import click
from rich.console import Group, RenderableType
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from towertap.capture.speed_log import read_speed_logs
from towertap.cli._compare_speed import speed_table
from towertap.cli._compare_transfer import read_transfer, transfer_tables
from towertap.cli._outcome import Outcome, answers, console, table
from towertap.compare.answer import Comparison
from towertap.compare.comparison import DEFAULT_METRICS, compare
from towertap.compare.departures import NO_PLAN, held_against, start_times
from towertap.compare.model import GateKind
from towertap.compare.passes import load_passes
from towertap.compare.plan import Plan, read_plan
from towertap.compare.speed_join import with_speed
from towertap.compare.thirds import LOCATES
from towertap.errors import CallError
from towertap.report.told import clocks, left_out
from towertap.report.words import number

STYLES = {"harsher": "bold red", "gentler": "bold green", "equivalent": "bold blue", "undecided": "bold yellow"}

NOTE = (
    "The window t-test is common practice, shown for comparison and not used: windows of one pass share its speed, "
    "line and temperature, neighbours are alike, and the gate picks them by the figure tested, so they are no "
    "independent trials; and a p above 0.05 would not mean that nothing changed. Its n counts windows that each pass "
    "keeps for itself, not the places of the gate."
)


HELP = """Compare the captures of FOLDER before and after a part was changed.

FOLDER holds captures (.h5, not in folders within) of the smooth road and of one rough road or more, two passes or more
of each with either part. Best driven A B B A (A before, B after): passes with A, then B, then again B and A, so that a
steady drift of weather or tyres cancels; 'towertap plan' writes such an order.

\b
Verdicts, of each metric on each rough road:
  harsher     it is more with the part after, and chance would seldom do that
  gentler     it is less with the part after, and chance would seldom do that
  equivalent  the change, if there is one, is shown to lie inside the margin
  undecided   the passes show neither, which does not mean that nothing changed

A refusal is one line on standard error and exit status 2, with nothing on standard output, with --json as well.
"""


@click.command(
    name="compare",
    help=HELP,
    epilog="Example: towertap compare drives --before rubber --after polyurethane --smooth bypass",
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--plan",
    "plan_file",
    type=click.Path(path_type=Path),
    help="The plan that the drives followed: it stands in for the options that name parts, smooth road, margin and "
    "metrics, and the answer says where it was not kept.",
)
@click.option("--before", metavar="NAME", help="The part fitted before, as the captures name it.")
@click.option("--after", metavar="NAME", help="The part fitted after.")
@click.option("--smooth", metavar="ROAD", help="The smooth road, which sets the gate.")
@click.option("--margin", type=float, metavar="PERCENT", help="The change that counts; 10 when nothing says.")
@click.option(
    "--gate",
    type=click.Choice(get_args(GateKind)),
    default="places",
    show_default=True,
    help="What is kept of rough roads: places that all passes together find rough, or windows of each pass for itself.",
)
@click.option("--quantile", default=0.95, show_default=True, help="Quantile of the smooth road's windows: the gate.")
@click.option(
    "--metric",
    "metrics",
    multiple=True,
    metavar="NAME",
    help="A metric to compare; may be repeated; each costs the others power, but not a plan's primary one. Default: "
    f"{', '.join(DEFAULT_METRICS)}.",
)
@click.option("--include-unsound", is_flag=True, help="Use captures that are not sound as well; the answer says so.")
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    help="Folder of the bench records; default: the folder 'bench' beside the captures.",
)
@click.option("--position", metavar="NAME", help="The box position to compare, where passes have two.")
@click.option(
    "--input-position",
    metavar="NAME",
    help="The position of a second box, on the input side of the part: adds the transfer from it to --position.",
)
@click.option(
    "--speed",
    "speed_logs",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A log of the speed driven, GPX or CSV, or a folder of them; may be repeated.",
)
@click.option(
    "--speed-offset",
    type=float,
    metavar="SECONDS",
    help="How far the logs' clocks are ahead of the captures'; found by the forward acceleration when not given.",
)
@click.option("--report", type=click.Path(path_type=Path, file_okay=False), help="Write the report into this folder.")
@answers
def command(
    folder: Path,
    plan_file: Path | None,
    before: str | None,
    after: str | None,
    smooth: str | None,
    margin: float | None,
    gate: GateKind,
    quantile: float,
    metrics: tuple[str, ...],
    include_unsound: bool,
    bench: Path | None,
    position: str | None,
    input_position: str | None,
    speed_logs: tuple[Path, ...],
    speed_offset: float | None,
    report: Path | None,
) -> Outcome:
    """Load the passes, compare them, hold them against the plan, write the report, tell the answer."""
    plan = read_plan(plan_file) if plan_file else None
    logs = [log for path in speed_logs for log in read_speed_logs(path)]
    before, after, smooth = _named(plan, before=before, after=after, smooth=smooth)
    with Progress(console=console, transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("reading passes", total=None)
        drives = load_passes(
            folder,
            before,
            after,
            smooth,
            include_unsound=include_unsound,
            bench=bench,
            position=position,
            on_progress=lambda done, total: progress.update(task, completed=done, total=total),
        )
        transfer = read_transfer(drives, input_position, include_unsound, bench, progress)
    drives = with_speed(drives, logs, speed_offset)
    share = margin / 100 if margin is not None else plan.margin if plan else 0.10
    chosen, blocks = metrics or (plan.metrics if plan else DEFAULT_METRICS), plan.slots if plan else None
    comparison = compare(drives, share, quantile, chosen, gate, blocks, plan.metrics[0] if plan else None)
    comparison = replace(comparison, transfer=transfer)
    if plan:
        comparison = held_against(plan, comparison, drives, start_times(drives))
    data, text = comparison.data(), [tell(comparison)]
    if report is not None:
        from towertap.report.report import write_report  # draws figures: loaded only when asked for

        page = write_report(comparison, drives, report)
        data["report"] = str(page)
        text.append(Text(f"\nReport: {page}"))
    return Outcome(data, Group(*text))


def _named(plan: Plan | None, **given: str | None) -> list[str]:
    """What the options name, or else the plan; CallError says which is missing."""
    named = {name: value or (getattr(plan, name) if plan else None) for name, value in given.items()}
    if missing := [f"--{name}" for name, value in named.items() if not value]:
        raise CallError(f"not said: {', '.join(missing)}; name them, or the plan with --plan")
    return [value for value in named.values() if value]


def tell(comparison: Comparison) -> RenderableType:
    """The answer for people: the findings in words, what to beware of, then the figures behind them."""
    blocks: list[RenderableType] = [Text(comparison.summary, style="bold")]
    for finding in comparison.findings:
        words = Text(f"\n{finding.words}")
        words.highlight_words([f"{finding.verdict}."], STYLES[finding.verdict])
        blocks.append(words)
    if comparison.bands:
        told = "\n".join(one.words for one in comparison.bands)
        blocks.append(
            Text(f"\nWhere the change is (intervals that hold all bands of a road at 95 %). {LOCATES}\n{told}")
        )
    blocks += [Text(f"\n{road.words}") for road in comparison.knocks]
    blocks += [Text(f"\nNot as planned: {one.words}.", style="yellow") for one in comparison.departures]
    if comparison.plan and not comparison.departures:
        blocks.append(Text("\nDriven and compared as planned."))
    if not comparison.plan:
        blocks.append(Text(f"\n{NO_PLAN}", style="yellow"))
    blocks += [Text(f"\n{road.words}") for road in comparison.transfer]
    blocks += [Text(f"\n{road.words}") for road in comparison.speed]
    blocks += [Text(f"\n{clock}") for clock in clocks(comparison.speed)]
    remarks = [
        *comparison.warnings,
        *(caution for finding in comparison.findings for caution in finding.cautions),
        *(caution for road in comparison.transfer for caution in road.cautions),
        *(line for road in comparison.transfer for line in left_out(road)),
        *(f"{one.capture} was left out: {one.reason}" for one in comparison.excluded),
    ]
    blocks += [Text(f"\nBeware: {remark}", style="yellow") for remark in remarks]
    tables: list[RenderableType] = [_passes(comparison), "", _tests(comparison), ""]
    if comparison.alignment:
        tables = [_alignment(comparison), "", *tables]
    return Group(*blocks, "", *tables, *transfer_tables(comparison), *speed_table(comparison), Text(NOTE))


def _alignment(comparison: Comparison) -> Table:
    made = table(
        "Alignment: correlation of each pass's fingerprint with the others' (by chance)",
        *("road\nplaces", "pass", "fit", "by\nchance", "speed"),
    )
    for road in comparison.alignment:
        made.add_row(
            Text(f"{road.road}\n{road.warning or f'{road.places} places'}"),
            Text("\n".join(one.capture for one in road.passes)),
            Text("\n".join(f"{one.quality:.2f}{'' if one.aligned else ' fails'}" for one in road.passes)),
            Text("\n".join(f"{one.chance:.2f}" for one in road.passes)),
            Text("\n".join(f"× {one.speed:.2f}" for one in road.passes)),
            end_section=True,
        )
    return made


def _passes(comparison: Comparison) -> Table:
    sides = f"before: {comparison.before}", f"after: {comparison.after}"
    made = table(
        "Passes: r.m.s. over what was kept (over the whole pass) kept/all",
        *("road, metric, gate,\nsensor noise at most", *sides),
        right=sides,
    )
    for one in comparison.findings:
        gate = f"{number(comparison.gates[one.metric].threshold)} {one.unit}"
        values = (
            "\n".join(
                (f"{number(v.gated)} " if v.kept else "") + f"({number(v.whole)}) {v.kept}/{v.windows}" for v in side
            )
            for side in (one.before_values, one.after_values)
        )
        noise = f"{100 * one.noise.share:.1f} %" if one.noise else "unknown"
        made.add_row(Text(f"{one.road}\n{one.metric}\n{gate}\n{noise}"), *values, end_section=True)
    return made


def _tests(comparison: Comparison) -> Table:
    made = table(
        "Decision by passes (p after Holm); beside it the window t-test",
        *("road\nmetric", "kept\nshares", "ratio\n95 % interval", "p different\np equivalent", "verdict\nby"),
        "window\nt-test",
    )
    for one in comparison.findings:
        test = one.window_t_test
        made.add_row(
            Text(f"{one.road}\n{one.metric}"),
            f"{100 * one.kept_share.before:.0f} %\n{100 * one.kept_share.after:.0f} %",
            f"{one.ratio:.3f}\n" + ("{:.3f}–{:.3f}".format(*one.interval) if one.interval else "none"),
            f"{_p(one.p_difference_holm)}\n{_p(one.p_equivalence_holm)}",
            Text(one.verdict, style=STYLES[one.verdict]).append(f"\n{one.basis}", style="default"),
            f"p {_p(test.p)}\nn {test.n_before}, {test.n_after}",
            end_section=True,
        )
    return made


def _p(p: float | None) -> str:
    return "none" if p is None else "< 0.0001" if p < 0.0001 else number(p, 2)
