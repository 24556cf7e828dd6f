"""`towertap wear`: one part over months on the same roads, its trend, and when it leaves the margin."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

import click
from rich.console import Group, RenderableType
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from towertap.cli._outcome import Outcome, answers, console, table
from towertap.settings import archive_folder, default
from towertap.wear import follow
from towertap.wear.course import DEFAULT_METRICS
from towertap.wear.drives import load_sessions
from towertap.wear.model import Course, Wear
from towertap.words.numbers import number


@click.command(
    name="wear",
    help="Follow a part over months: FOLDER holds captures or is an archive, by default the one that is set. The first "
    "day with the part is taken as its first fit; a change takes two days, a trend three.",
    epilog="Example: towertap wear archive --part rubber --smooth bypass --report report",
)
@click.argument("folder", type=click.Path(path_type=Path), required=False)
@click.option("--part", required=True, metavar="NAME", help="The part, as the captures name it.")
@click.option(
    "--smooth", required=True, metavar="ROAD", help="The smooth road, which sets the roughness limit and is the check."
)
@click.option("--vehicle", metavar="NAME", help="The vehicle, where the part was driven on more than one.")
@click.option(
    "--since",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Take no drive before this day, UTC: the day when the part was fitted anew.",
)
@click.option(
    "--margin",
    type=float,
    default=default("margin"),
    metavar="PERCENT",
    help="The change against the first fit that counts; as set when not given, or 10.",
)
@click.option(
    "--metric",
    "metrics",
    multiple=True,
    metavar="NAME",
    help=f"A metric to follow; may be repeated; each costs the power of all. Default: {', '.join(DEFAULT_METRICS)}.",
)
@click.option("--position", metavar="NAME", help="The box position to use, where a day was recorded at more than one.")
@click.option("--bench", type=click.Path(path_type=Path), default=default("bench"), help="Folder of the bench records.")
@click.option("--report", type=click.Path(path_type=Path, file_okay=False), help="Write wear.html into this folder.")
@answers
def command(
    folder: Path | None,
    part: str,
    smooth: str,
    vehicle: str | None,
    since: datetime | None,
    margin: float,
    metrics: tuple[str, ...],
    position: str | None,
    bench: Path | None,
    report: Path | None,
) -> Outcome:
    """Load the sessions, follow the part over them, write the report, tell the answer."""
    with Progress(console=console, transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("reading passes", total=None)
        followed = load_sessions(
            archive_folder(folder),
            part,
            smooth,
            vehicle=vehicle,
            since=since.date() if since else None,
            position=position,
            bench=bench,
            on_progress=lambda done, total: progress.update(task, completed=done, total=total),
        )
        progress.update(task, description="following them", total=None)
        wear = follow(followed, margin / 100, metrics=metrics or DEFAULT_METRICS)
    data, text = wear.data(), [tell(wear)]
    if report is not None:
        from towertap.wear.report import write_wear  # draws figures: loaded only when asked for

        page = write_wear(wear, followed, report)
        data["report"] = str(page)
        text.append(Text(f"\nReport: {page}"))
    return Outcome(data, Group(*text))


def tell(wear: Wear) -> RenderableType:
    """The answer for people: the courses in words, what to beware of, then the figures behind them."""
    blocks: list[RenderableType] = [Text(wear.summary, style="bold")]
    blocks += [Text(f"\n{one.words}") for one in wear.courses]
    remarks = [
        *wear.warnings,
        *(caution for one in wear.courses for caution in one.cautions),
        *(f"{one.capture} was left out: {one.reason}" for one in wear.excluded),
    ]
    blocks += [Text(f"\nBeware: {remark}", style="yellow") for remark in remarks]
    if wear.other_captures:
        blocks.append(Text(f"\nNot looked at: {wear.other_captures} captures of other parts or vehicles."))
    return Group(*blocks, "", *(_table(one) for one in (*wear.courses, *wear.checks)))


def _table(one: Course) -> Table:
    columns = ("session", "months", "passes", "mean", "ratio to the\nfirst fit", "interval,\ntogether", "verdict")
    made = table(f"{one.label} on {one.road}, {one.unit}, over {one.basis}", *columns, right=columns[1:-1])
    changes = {change.session: change for change in one.changes}
    for mean in one.means:
        change = changes.get(mean.session)
        ratio = f"{change.ratio:.3f}" if change else "first fit"
        interval = "{:.3f}–{:.3f}".format(*change.together) if change and change.together else ""
        verdict = "" if change is None else change.verdict + (", outside" if change.outside else "")
        row = (mean.session, f"{mean.months:.1f}", str(mean.passes), number(mean.level), ratio, interval, verdict)
        made.add_row(*map(Text, row))
    return made
