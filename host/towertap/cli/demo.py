"""`towertap demo`: the whole job on an invented minibus, with no hardware."""

import time
from pathlib import Path
from typing import Any

import click
from rich.console import Group, RenderableType
from rich.text import Text

from towertap.cli._outcome import Outcome, answers, console
from towertap.cli.compare import tell
from towertap.demo.run import NOTICE, DemoResult, run_demo


@click.command(name="demo", help="Do the whole job on an invented minibus: drive, record, check, compare, report.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for recordings, captures and report; must be new or empty.",
)
@answers
def command(out: Path) -> Outcome:
    """Run the demo and tell what it found."""
    started = time.monotonic()
    result = run_demo(out, tell=_say)
    return Outcome(_data(result), _words(result, time.monotonic() - started), 0 if result.as_expected else 1)


def _say(line: str) -> None:
    console.print(Text(line), soft_wrap=True)


def _data(result: DemoResult) -> dict[str, Any]:
    return {
        "notice": NOTICE,
        "as_expected": result.as_expected,
        "interpreter": result.interpreter,
        "captures": [{"capture": path, **integrity.data()} for path, integrity in result.integrity.items()],
        "report": result.report,
        **result.comparison.data(),
    }


def _words(result: DemoResult, took_s: float) -> RenderableType:
    sound = sum(integrity.sound for integrity in result.integrity.values())
    lines = [
        "",
        f"{sound} of {len(result.integrity)} captures sound; firmware run by {result.interpreter}; {took_s:.0f} s.",
        NOTICE if result.as_expected else f"{NOTICE} It did not come out as expected.",
        f"Report: {result.report}",
    ]
    return Group("", tell(result.comparison), *lines)
