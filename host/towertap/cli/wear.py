"""`towertap wear`: follow one part over months on the same roads: its trend, and when it leaves the margin."""

from pathlib import Path
from typing import Any

import click
from rich.console import Group, RenderableType
from rich.constrain import Constrain
from rich.text import Text

from towertap.cli._outcome import FOLDER, PATH, READABLE_COLUMNS, Outcome, answers, as_rich, folded, paragraph
from towertap.cli._reading import (
    bench_option,
    counted_on_screen,
    day_option,
    full_option,
    metrics_option,
    percent_option,
    reads_captures,
)
from towertap.settings import archive_folder, default
from towertap.wear import follow
from towertap.wear.course import DEFAULT_METRICS
from towertap.wear.drives import load_sessions
from towertap.wear.model import Wear
from towertap.wear.words import at_a_glance, dates, tables
from towertap.words.phrases import counted


@click.command(
    help="Follow a part over months. FOLDER holds captures or is an archive; by default it is the archive that is set. "
    "The first day with the part counts as its first fit. A change needs two days of drives, a trend three.",
    epilog="Example: towertap wear archive --part rubber --smooth bypass --report report",
)
@click.argument("folder", type=PATH, required=False)
@click.option("--part", required=True, metavar="NAME", help="The part, as the captures name it.")
@click.option(
    "--smooth", required=True, metavar="ROAD", help="The smooth road; it sets the roughness limit and is the check."
)
@click.option("--vehicle", metavar="NAME", help="The vehicle, if the part was driven on more than one.")
@day_option("--since", help="The day of the first fit; earlier drives are left out.")
@percent_option("--margin", default=default("margin"), help="The change that counts. Default: as set, or 10.")
@metrics_option("follow", DEFAULT_METRICS)
@click.option("--position", metavar="NAME", help="The box position to use, if a day has more than one.")
@bench_option
@click.option("--report", type=FOLDER, help="Write wear.html into this folder.")
@full_option
@reads_captures
@answers
def command(
    folder: Path | None,
    margin: float,
    metrics: tuple[str, ...],
    report: Path | None,
    full: bool,
    **chosen: Any,
) -> Outcome:
    """Load the sessions, follow the part over them, write the report, print the answer."""
    archive = archive_folder(folder, "wear ARCHIVE --part NAME --smooth ROAD")
    with counted_on_screen("reading passes") as on_progress:
        history = load_sessions(archive, on_progress=on_progress, **chosen)
    wear = follow(history, margin / 100, metrics=metrics or DEFAULT_METRICS)
    data, text = wear.data(), [answer_text(wear, full)]
    if report is not None:
        from towertap.wear.report import write_wear  # matplotlib takes long to load

        page = write_wear(wear, report, full=full)
        data["report"] = str(page)
        text.append(Text(f"\nReport: {page}"))
    return Outcome(data, Group(*text))


def answer_text(wear: Wear, full: bool = False) -> RenderableType:
    """The answer, its numbers, what could be wrong, the answer again; `full` adds each course in words and by day."""
    answer = paragraph(wear.summary, "bold")
    left_out = (f"{capture.capture} was left out: {capture.reason}" for capture in wear.history.excluded)
    cautions = [*(caution.words for caution in wear.cautions), *left_out]
    table = Constrain(as_rich(at_a_glance(wear)), READABLE_COLUMNS)
    blocks: list[RenderableType] = [answer, "", table, folded(("-", words) for words in dates(wear)), ""]
    blocks += [Text("What could be wrong", style="bold"), folded(("-", words) for words in cautions), ""]
    if wear.history.others:
        blocks += [f"Not used: {counted(wear.history.others, 'capture')} of other parts or vehicles.", ""]
    if full:
        blocks += [folded(("-", course.words) for course in (*wear, *wear.checks)), "", *map(as_rich, tables(wear))]
    return Group(*blocks, answer)
