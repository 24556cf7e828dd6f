"""`towertap demo`: the complete job on an invented minibus, without hardware."""

import time
from pathlib import Path

import click
from rich.console import Group
from rich.text import Text

from towertap.cli._outcome import FOLDER, Outcome, answers, console
from towertap.cli.compare import answer_text
from towertap.demo.run import NOTICE, run_demo


@click.command(help="Do the complete job on an invented minibus: drive, record, check, compare, report.")
@click.option("--out", required=True, type=FOLDER, help="A new or empty folder for recordings, captures and report.")
@answers
def command(out: Path) -> Outcome:
    """Run the demo and print what it found."""
    started = time.monotonic()
    result = run_demo(out, on_step=lambda line: console.print(Text(line), soft_wrap=True))
    took_s, captures = time.monotonic() - started, result.integrity
    sound = sum(integrity.sound for integrity in captures.values())
    data = {
        "notice": NOTICE,
        "as_expected": result.as_expected,
        "interpreter": result.interpreter,
        "captures": [{"capture": path, **integrity.data()} for path, integrity in captures.items()],
        "report": result.report,
        **result.comparison.data(),
    }
    text = Group(
        "",
        answer_text(result.comparison),
        "",
        f"{sound} of {len(captures)} captures sound; firmware run by {result.interpreter}; {took_s:.0f} s.",
        NOTICE if result.as_expected else f"{NOTICE} The result is not as expected.",
        f"Report: {result.report}",
    )
    return Outcome(data, text, 0 if result.as_expected else 1)
