"""`towertap bench selftest`: the chip pushes its own axes and holds the answers against its factory's."""

from pathlib import Path

import click
from rich.console import Group
from rich.table import Table

from towertap.bench import records
from towertap.bench.selftest import UNITS, SelfTest, record_of, run
from towertap.cli._bench_recording import guided
from towertap.cli._outcome import Outcome, answers, judged, mark
from towertap.cli._reading import bench_option, port_option

GUIDE = "Let it lie still, any way up: the chip tests itself for two seconds."


@click.command(
    short_help="the chip pushes each of its axes",
    help="Let the chip push each of its axes and hold the answers against those it gave in the factory. Exit status 1: "
    "an axis answers wrongly, or the box was moved.",
)
@port_option
@bench_option
@answers
def selftest(port: str | None, bench: Path | None) -> Outcome:
    """Test, keep, tell."""
    with guided(port, GUIDE) as box:
        result = run(box)
        record = record_of(result, box)
    written = records.write(record, bench or Path("bench"))
    data = {"record": written, "serial": record.subject.serial, **result.data()}
    return Outcome(
        data, Group(_table(result), judged(result.ok, result.verdict), f"record {written}"), 0 if result.ok else 1
    )


def _table(result: SelfTest) -> Table:
    table = Table("", "axis", "answer", "factory", "ratio", box=None, pad_edge=False)
    for answer in result.axes:
        unit = UNITS[answer.unit]
        factory = "no code" if answer.factory is None else f"{answer.factory:.3g} {unit}"
        ratio = "" if answer.ratio is None else f"{answer.ratio:.3f}"
        name, response = answer.axis.replace("_", " "), f"{answer.response:.3g} {unit}"
        table.add_row(mark(answer.ok), name, response, factory, ratio)
    return table
