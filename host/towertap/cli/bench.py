"""`towertap bench`: measure the sensor before driving."""

import click

from towertap.cli._bench_noise import noise
from towertap.cli._bench_selftest import selftest
from towertap.cli._bench_tap import tap
from towertap.cli._bench_tumble import tumble


@click.group(
    help="Measure what a box can see before it goes on a vehicle. Each command writes a bench record, which later "
    "commands apply to captures of this box.",
    epilog="Example: towertap bench noise --bench drives/bench",
)
def command() -> None:
    """The subcommands do the work."""


for subcommand in (noise, tumble, tap, selftest):
    command.add_command(subcommand)
