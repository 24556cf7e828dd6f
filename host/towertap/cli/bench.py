"""`towertap bench`: know the sensor before the road."""

import click

from towertap.cli._bench_noise import noise
from towertap.cli._bench_selftest import selftest
from towertap.cli._bench_tap import tap
from towertap.cli._bench_tumble import tumble


@click.group(
    help="Find out what a box can see before it goes on a vehicle; each writes a record to hold captures against.",
    epilog="Example: towertap bench noise --bench drives/bench",
)
def command() -> None:
    """The subcommands do the work."""


for subcommand in (noise, tumble, tap, selftest):
    command.add_command(subcommand)
