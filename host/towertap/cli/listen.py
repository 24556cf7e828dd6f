"""`towertap listen`: before and after of one place, to be heard one after the other."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.text import Text

from towertap.cli._outcome import PATH, Outcome, answers
from towertap.exchange.listening import CAUTION, SECONDS, listen


@click.command(
    help=f"""Write before and after of one place of a road as a sound, from the captures BEFORE and AFTER.

They come in turns, before, after, before, after, at the same gain, from 20 Hz up; a low tone stands before the first, a
high one before the second. The place is the roughest that both hold; it is found in AFTER by the road's fingerprint.

{CAUTION}""",
    epilog="Example: towertap listen drives/lane_rubber_pass01.h5 drives/lane_poly_pass01.h5 --out lane.wav",
)
@click.argument("before", type=PATH)
@click.argument("after", type=PATH)
@click.option("--out", type=PATH, default=Path("listen.wav"), show_default=True, help="The sound.")
@click.option("--seconds", type=click.FloatRange(0.5, 60), default=SECONDS, show_default=True, help="Of each.")
@click.option("--at", "before_at_s", type=click.FloatRange(0), help="Where the place begins in BEFORE, s.")
@click.option("--after-at", "after_at_s", type=click.FloatRange(0), help="Where it begins in AFTER, s.")
@answers
def command(before: Path, after: Path, out: Path, **place: Any) -> Outcome:
    """Write the sound, and say what it holds, with the caution."""
    sound = listen(before, after, out, **place)
    agreement = f"; found again with an agreement of {sound.agreement:.2f}" if sound.agreement is not None else ""
    data = {"sound": out, **asdict(sound), "caution": CAUTION}
    return Outcome(data, Group(Text(f"{out}: {sound.words}{agreement}"), Text(f"\nCaution: {CAUTION}", style="yellow")))
