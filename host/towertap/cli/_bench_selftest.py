"""`towertap bench selftest`: the chip pushes its own axes and holds the answers against its factory's."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Group
from rich.table import Table

from towertap.bench import records
from towertap.bench.selftest import UNITS, SelfTest, record_of, run
from towertap.cli._bench_recording import guided
from towertap.cli._outcome import Outcome, answers, judged, mark
from towertap.settings import setting

GUIDE = "Let it lie still, any way up: the chip tests itself for two seconds."


@click.command(
    name="selftest",
    short_help="the chip pushes each of its axes",
    help="Let the chip push each of its axes and hold the answers against those it gave in the factory. Exit status 1: "
    "an axis answers wrongly, or the box was moved.",
)
@click.option("--port", help="The box's serial port; found by greeting every port when not given.")
@click.option(
    "--bench",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=lambda: setting("bench") or Path("bench"),
    help="Folder of the records; as set, or 'bench' here.",
)
@answers
def selftest(port: str | None, folder: Path) -> Outcome:
    """Test, keep, tell."""
    with guided(port, GUIDE) as box:
        found = run(box)
        record = record_of(found, box)
    kept = records.write(record, folder)
    data = {"record": kept, "serial": record.subject.serial, **found.data()}
    return Outcome(data, _text(found, kept), 0 if found.ok else 1)


def _text(found: SelfTest, kept: Path) -> Group:
    table = Table("", "axis", "answer", "factory", "ratio", box=None, pad_edge=False)
    for axis in found.axes:
        unit = UNITS[axis.unit]
        factory = "no code" if axis.factory is None else f"{axis.factory:.3g} {unit}"
        ratio = "" if axis.ratio is None else f"{axis.ratio:.3f}"
        table.add_row(mark(axis.ok), axis.axis.replace("_", " "), f"{axis.response:.3g} {unit}", factory, ratio)
    return Group(table, judged(found.ok, found.verdict), f"record {kept}")
