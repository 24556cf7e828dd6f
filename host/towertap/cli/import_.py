"""`towertap import`: make a capture from another recorder's samples."""

import csv
import os
from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.text import Text

from towertap.capture.reading import open_capture
from towertap.cli._conditions import checked, condition_options
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.doors.files import sibling
from towertap.errors import CallError
from towertap.exchange.imports import IMPORTS, import_file
from towertap.exchange.imports.form import ImportOptions
from towertap.words.phrases import listed

POSITIVE = click.FloatRange(0, min_open=True)
PASS_OPTIONS = {"part": "--part", "road": "--road", "pass_number": "--pass"}
"""Conditions that identify a pass → options."""
STYLES = {"told": "default", "found": "default", "assumed": "bold yellow"}


@click.command(
    help=f"""Make a capture from FILE, another recorder's samples: {", ".join(IMPORTS)}.

Columns and units that no option gives are taken from the names in the file. Every decision is printed as told (by an
option), found (in the file) or assumed, and stays in the capture. The capture also says for ever that no box made it:
its lost samples, rate and noise cannot be verified.""",
    epilog="Example: towertap import logger.csv --mounting x=+X,y=+Y,z=+Z --part rubber --road bypass --pass 1",
)
@click.argument("file", type=PATH)
@click.option("--out", type=PATH, help="The capture to write. Default: FILE's name with .h5.")
@click.option("--rate", "rate_hz", type=float, help="Samples per second, evenly spaced; a time column is ignored.")
@click.option("--time", metavar="COLUMN", default="", help="The time column.")
@click.option("--time-unit", default="", help="Unit of time: s, ms, us or ns.")
@click.option("--acceleration", metavar="X,Y,Z", default="", help="The columns of acceleration.")
@click.option("--rotation", metavar="X,Y,Z", default="", help="The columns of rotation rate.")
@click.option("--unit", default="", help="Unit of acceleration: m/s2, g, mg, or its size in m/s².")
@click.option("--rotation-unit", default="", help="Unit of rotation rate: rad/s, deg/s, or its size in rad/s.")
@click.option("--full-scale", type=POSITIVE, help="Acceleration at the largest integer of a .wav, in --unit.")
@click.option("--range", "largest", type=POSITIVE, help="The recorder's range of acceleration, ±, in --unit.")
@condition_options
@answers
def command(file: Path, out: Path | None, **given: Any) -> Outcome:
    """Import, and print every decision made on the way."""
    out = out or sibling(file, ".h5")
    if os.path.realpath(out) == os.path.realpath(file):
        raise CallError(f"{file}: the capture would overwrite this file; give another --out")
    options = {name: given.pop(name) for name in ImportOptions.__struct_fields__}
    for name in ("acceleration", "rotation"):
        options[name] = _columns(name, options[name])
    given_conditions = {name: checked(name, value) for name, value in given.items() if value not in (None, "")}
    origin = import_file(file, out, ImportOptions(**options), given_conditions)
    with open_capture(out) as capture:
        conditions = capture.conditions
        data = {
            "capture": out,
            "from_box": False,
            "samples": capture.n_samples,
            "axes": 3 * len(capture.layout.quantities),
            "rate_hz": capture.rate_hz,
            "seconds": capture.n_samples / capture.rate_hz,
            "gaps": len(capture.gaps),
            "clipped_samples": origin.clipped_samples,
            "decisions": [{"how": decision.how, "what": decision.what} for decision in origin.decisions],
        }
    lines = [Text.assemble((f"{decision.how:8}", STYLES[decision.how]), decision.what) for decision in origin.decisions]
    summary = (
        f"{out}: {data['samples']} samples on {data['axes']} axes, {data['seconds']:.1f} s at "
        f"{data['rate_hz']:.3f} Hz, gaps {data['gaps']}, clipped {data['clipped_samples']}; not from a box"
    )
    missing = [option for name, option in PASS_OPTIONS.items() if not getattr(conditions, name)]
    hint = f"Not given: {listed(missing)}; give them here, or later with 'towertap correct'" if missing else ""
    return Outcome(data, Group(*lines, summary, *filter(None, [hint])))


def _columns(option: str, text: str) -> tuple[str, ...]:
    """Comma-separated names; quotation marks enclose a name with a comma."""
    try:
        return tuple(name.strip() for name in next(csv.reader([text], skipinitialspace=True)))
    except csv.Error as error:
        raise CallError(f"--{option}: give the names of three columns, x,y,z: {error}") from None
