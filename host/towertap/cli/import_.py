"""`towertap import`: a capture of what another recorder recorded."""

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

ABOVE_NOUGHT = click.FloatRange(0, min_open=True)
STYLES = {"told": "default", "found": "default", "assumed": "bold yellow"}


@click.command(
    help=f"""Make a capture of FILE, another recorder's samples: {", ".join(IMPORTS)}.

Columns, units and times are found by their names where they are not told. What was told, found and assumed is
printed and stays in the capture, which says for ever that no box made it: its losses, rate and noise
cannot be proved.""",
    epilog="Example: towertap import logger.csv --unit g --mounting x=+X,y=+Y,z=+Z --part rubber --road bypass",
)
@click.argument("file", type=PATH)
@click.option("--out", type=PATH, help="The capture to write; FILE's name with .h5 if not given.")
@click.option("--rate", "rate_hz", type=float, help="Samples a second, evenly spaced; a column of time is left aside.")
@click.option("--time", metavar="COLUMN", default="", help="The column of time.")
@click.option("--time-unit", default="", help="s, ms, us or ns.")
@click.option("--acceleration", metavar="X,Y,Z", default="", help="The columns of acceleration.")
@click.option("--rotation", metavar="X,Y,Z", default="", help="The columns of the rotation rate.")
@click.option("--unit", default="", help="Of acceleration: m/s2, g, mg, or what 1 is in m/s².")
@click.option("--rotation-unit", default="", help="rad/s, deg/s, or what 1 is in rad/s.")
@click.option("--full-scale", type=ABOVE_NOUGHT, help="What the largest whole number of a .wav stands for, in --unit.")
@click.option(
    "--range", "largest", type=ABOVE_NOUGHT, help="End of the recorder's range of acceleration, ±, in --unit."
)
@condition_options
@answers
def command(file: Path, out: Path | None, **given: Any) -> Outcome:
    """Import, and say what was settled on the way."""
    out = out or sibling(file, ".h5")
    if os.path.realpath(out) == os.path.realpath(file):
        raise CallError(f"{file}: the capture would overwrite the file; give another --out")
    names = ImportOptions.__struct_fields__
    options = {name: given.pop(name) for name in names}
    for name in ("acceleration", "rotation"):
        options[name] = _columns(name, options[name])
    conditions = {name: checked(name, value) for name, value in given.items() if value not in (None, "")}
    origin = import_file(file, out, ImportOptions(**options), conditions)
    with open_capture(out) as capture:
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
    return Outcome(data, Group(*lines, summary))


def _columns(option: str, text: str) -> tuple[str, ...]:
    """Names with commas between them; a name that has one stands in quotation marks."""
    try:
        return tuple(name.strip() for name in next(csv.reader([text], skipinitialspace=True)))
    except csv.Error as error:
        raise CallError(f"--{option}: no names of columns, x,y,z: {error}") from None
