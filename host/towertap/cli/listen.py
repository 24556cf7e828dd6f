"""`towertap listen`: a sound of one place before and after, in turns."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.text import Text

from towertap.cli._outcome import PATH, Outcome, answers
from towertap.exchange.listening import CAUTION, SECONDS, listen


@click.command(
    help=f"""Write a sound of one place of a road, from the captures BEFORE and AFTER.

They play in turns (before, after, before, after) at the same gain, from 20 Hz up. A low tone announces BEFORE, a high
tone AFTER. The place is the roughest that both captures hold; AFTER is aligned with BEFORE by the road's fingerprint.

{CAUTION}""",
    epilog="Example: towertap listen drives/lane_rubber_pass01.h5 drives/lane_poly_pass01.h5 --out lane.wav",
)
@click.argument("before", type=PATH)
@click.argument("after", type=PATH)
@click.option("--out", type=PATH, default=Path("listen.wav"), show_default=True, help="The sound file to write.")
@click.option("--seconds", type=click.FloatRange(0.5, 60), default=SECONDS, show_default=True, help="Turn length, s.")
@click.option("--at", "before_at_s", type=click.FloatRange(0), help="Where the place begins in BEFORE, s.")
@click.option("--after-at", "after_at_s", type=click.FloatRange(0), help="Where the place begins in AFTER, s.")
@answers
def command(before: Path, after: Path, out: Path, **place: Any) -> Outcome:
    """Write the sound, and print what it holds and the caution."""
    sound = listen(before, after, out, **place)
    agreement = f"; aligned with an agreement of {sound.agreement:.2f}" if sound.agreement is not None else ""
    data = {"sound": out, **asdict(sound), "caution": CAUTION}
    return Outcome(data, Group(Text(f"{out}: {sound.words}{agreement}"), Text(f"\nCaution: {CAUTION}", style="yellow")))
