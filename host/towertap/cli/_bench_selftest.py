"""`towertap bench selftest`: the chip deflects its own axes, and the response is compared with the factory's."""

from pathlib import Path

import click
from rich.console import Group
from rich.table import Table
from rich.text import Text

from towertap.bench import records
from towertap.bench.selftest import UNITS, SelfTest, record_of, run
from towertap.cli._bench_recording import guided
from towertap.cli._outcome import MARKS, Outcome, answers, judged
from towertap.cli._reading import bench_option, port_option

GUIDE = "Leave it still, any way up: the chip tests itself for two seconds."


@click.command(
    short_help="the chip tests each of its axes",
    help="Let the chip deflect each of its axes, and compare the response with the one measured in the factory. Exit "
    "status 1: an axis responds wrongly, or the box was moved.",
)
@port_option
@bench_option
@answers
def selftest(port: str | None, bench: Path | None) -> Outcome:
    """Run the test and keep its record."""
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
        table.add_row(Text(*MARKS[answer.ok]), name, response, factory, ratio)
    return table
