"""`towertap compare`: compare before and after, with the pass as the unit, and write a report."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Group, RenderableType
from rich.constrain import Constrain
from rich.text import Text

from towertap.cli._outcome import FOLDER, PATH, READABLE_COLUMNS, Outcome, answers, as_rich, console, folded, paragraph
from towertap.cli._reading import (
    bench_option,
    counted_on_screen,
    full_option,
    metrics_option,
    percent_option,
    reads_captures,
    whole_option,
)
from towertap.compare.plan.controls import CONTROLS, ControlKind
from towertap.compare.plan.plan import DEFAULT_METRICS, Plan, read_plan
from towertap.errors import CallError
from towertap.settings import default, setting
from towertap.words.phrases import counted

if TYPE_CHECKING:  # the functions import it when they run, so that --help is fast
    from towertap.compare import Comparison

STYLES = {"harsher": "bold red", "gentler": "bold green", "equivalent": "bold blue", "undecided": "bold yellow"}

HELP = """Compare the captures of FOLDER before and after a part was changed.

FOLDER holds captures (.h5; subfolders are ignored) of the smooth road and of at least one rough road, with at least two
passes of each road with each part, better three or more. Best is the order A B B A (A before, B after): passes with A,
with B, again with B, again with A. A steady drift of weather or tyres then cancels. 'towertap plan' writes such an
order.

\b
Verdicts about the part, for each metric:
  harsher     more with the part after, and chance alone rarely does that
  gentler     less with the part after, and chance alone rarely does that
  equivalent  no change that counts: any change lies inside the margin
  undecided   neither is shown, which does not mean that nothing changed
"""


@click.command(
    help=HELP, epilog="Example: towertap compare drives --before rubber --after polyurethane --smooth bypass"
)
@click.argument("folder", type=PATH)
@click.option("--plan", "plan_file", type=PATH, help="The plan that was followed; it names parts, roads and margin.")
@click.option("--before", metavar="NAME", help="The part fitted before, as the captures name it.")
@click.option("--after", metavar="NAME", help="The part fitted after.")
@click.option("--smooth", metavar="ROAD", help="The smooth road, which sets the roughness limit.")
@percent_option("--refit-sd", help="How far installations differ. Default: from controls, or 3.")
@percent_option("--day-sd", help="How far days differ. Default: from controls, or 3.")
@click.option(
    "--control",
    type=click.Choice(list(CONTROLS)),
    help="These drives are a control: the same part refitted, the same part on another day, or a change that must show "
    "('after' is the harsher one). It is kept with the bench records for later comparisons of this vehicle.",
)
@percent_option("--margin", help="The change that counts. Default: the plan's, or as set, or 10.")
@metrics_option("compare", DEFAULT_METRICS)
@click.option("--include-unsound", is_flag=True, help="Also use captures that are not sound; the answer says so.")
@whole_option
@click.option("--judge-unaligned", is_flag=True, help="Judge a road by complete passes even if most do not align.")
@bench_option
@click.option("--vehicle", metavar="NAME", help="The vehicle, if the parts were driven on more than one.")
@click.option("--position", metavar="NAME", help="The box position to compare, if there are two.")
@click.option("--input-position", metavar="NAME", help="A second box, on the input side of the part; adds transfer.")
@click.option("--speed", "speed_logs", multiple=True, type=PATH, help="A speed log (GPX, CSV) or folder; repeatable.")
@click.option("--speed-offset", type=float, metavar="SECONDS", help="How far the logs run ahead. Default: estimated.")
@click.option("--report", type=FOLDER, help="Write the report into this folder.")
@click.option("--sounds/--no-sounds", default=default("sounds"), help="Add sounds to the report. Default: as set.")
@full_option
@reads_captures
@answers
def command(
    folder: Path,
    plan_file: Path | None,
    before: str | None,
    after: str | None,
    smooth: str | None,
    refit_sd: float | None,
    day_sd: float | None,
    control: ControlKind | None,
    margin: float | None,
    metrics: tuple[str, ...],
    judge_unaligned: bool,
    bench: Path | None,
    speed_logs: tuple[Path, ...],
    speed_offset: float | None,
    report: Path | None,
    sounds: bool,
    full: bool,
    **reading: Any,
) -> Outcome:
    """Load the passes, compare them, write the report, print the answer."""
    from towertap.amendments import note_seen
    from towertap.bench.records import bench_folder
    from towertap.capture.speed_log import read_speed_logs
    from towertap.compare import compare, load_drives
    from towertap.compare.controls import controls_of, write_control
    from towertap.compare.drives.speed_join import with_speed

    plan = read_plan(plan_file) if plan_file else None
    logs = [log for path in speed_logs for log in read_speed_logs(path)]
    before, after, smooth = _named(plan, before=before, after=after, smooth=smooth)
    if margin is None and plan is None:
        margin = setting("margin")
    with counted_on_screen("reading passes") as on_progress:
        drives = load_drives(folder, before, after, smooth, bench=bench, on_progress=on_progress, **reading)
    drives = with_speed(drives, logs, speed_offset)
    bench = bench_folder(drives.passes[0].path, bench)
    comparison = compare(
        drives,
        _fraction(margin),
        metrics,
        plan,
        refit_sd=_fraction(refit_sd),
        day_sd=_fraction(day_sd),
        controls=controls_of(drives, bench),
        control=control,
        judge_unaligned=judge_unaligned,
    )
    note_seen((drive.path, drive.source.raw_sha256) for drive in drives.passes if drive.source)
    data, text = comparison.data(), [answer_text(comparison, full)]
    if comparison.control:
        written = write_control(comparison.control, bench)
        data["kept"] = str(written)
        text.append(Text(f"\nKept for later comparisons of this vehicle: {written}"))
    if report is not None:
        from towertap.exchange.listening import sounds_of
        from towertap.report.report import write_report  # matplotlib takes long to load

        report.mkdir(parents=True, exist_ok=True)
        picture_sounds, failures = sounds_of(comparison, report) if sounds else ({}, [])
        for failure in failures:
            console.print(failure, style="yellow", soft_wrap=True)
        page = write_report(comparison, report, sounds=picture_sounds, full=full, fresh=reading["fresh"])
        data["report"] = str(page)
        text.append(Text(f"\nReport: {page}"))
    return Outcome(data, Group(*text))


def _fraction(percent: float | None) -> float | None:
    return None if percent is None else percent / 100


def _named(plan: Plan | None, **given: str | None) -> list[str]:
    """Names from the options, or else from the plan; CallError names those that are missing."""
    names = {option: name or (getattr(plan, option) if plan else None) for option, name in given.items()}
    if missing := [f"--{option}" for option, name in names.items() if not name]:
        raise CallError(f"missing: {', '.join(missing)}; give them, or the plan with --plan")
    return [name for name in names.values() if name]


def answer_text(comparison: Comparison, full: bool = False) -> RenderableType:
    """The answer, the findings, further cautions, and one line per piece of evidence; `full` adds all the details."""
    from towertap.compare.findings.describe import findings_table, verdict_of

    answer = comparison.answer
    headline = paragraph(answer.headline, STYLES[verdict_of(answer.verdict)])
    table = Constrain(as_rich(findings_table(comparison.overall, comparison.findings)), READABLE_COLUMNS)
    blocks: list[RenderableType] = [headline, folded(answer.lines), "", table]
    if others := [caution.words for caution in comparison.cautions if caution.words not in answer.cautions]:
        blocks += [Text("What else could be wrong", style="bold"), folded(("-", words) for words in others), ""]
    blocks += [Text("Evidence", style="bold"), folded(_headlines(comparison)), ""]
    if full:
        blocks += [*_details(comparison), ""]
    return Group(*blocks, headline)


def _headlines(comparison: Comparison) -> Iterator[tuple[str, str]]:
    from towertap.compare.sections import SECTIONS

    if comparison.plan:
        count = len(comparison.departures)
        yield "The plan", f"Not as planned in {counted(count, 'point')}." if count else "As planned."
    for section in SECTIONS:
        if section.name in comparison.evidence:
            yield section.title, comparison.evidence[section.name].headline


def _details(comparison: Comparison) -> Iterator[RenderableType]:
    """Every finding in words, departures from the plan, paragraphs and tables."""
    from towertap.compare.findings.describe import notes_together
    from towertap.compare.sections import SECTIONS

    yield folded(("-", note) for note in notes_together(comparison.all))
    yield folded(("-", f"Not as planned: {departure.words}.") for departure in comparison.departures)
    for section in SECTIONS:
        evidence = comparison.evidence.get(section.name)
        if evidence and (evidence.paragraphs or evidence.tables):
            yield Text(f"\n{section.title}", style="bold")
            yield folded(("", paragraph) for paragraph in evidence.paragraphs)
            yield from map(as_rich, evidence.tables)
