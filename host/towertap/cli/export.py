"""`towertap export`: write a capture's samples in another format."""

from pathlib import Path

import click

from towertap.capture.reading import open_capture
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.cli._reading import bench_option, counted_on_screen, mounting_option
from towertap.errors import CallError
from towertap.exchange.exports import EXPORTS, export
from towertap.exchange.samples import UNITS, Axes, Samples, Units
from towertap.settings import default


@click.command(
    help=f"""Write the samples of CAPTURE in the format given by the suffix of --to: {", ".join(EXPORTS)}.

Time is in s from the first sample, at the true rate. Values are in vehicle axes (x forward, y left, z up), corrected by
the bench calibration if there is a valid one. The conditions of the drive are included as metadata. A gap is a row of
NaN; .wav and .uff cannot hold gaps, so each piece between gaps is written by itself.""",
    epilog="Example: towertap export drives/bypass_rubber_pass01.h5 --to .csv",
)
@click.argument("capture", type=PATH)
@click.option("--to", "path", type=PATH, required=True, help="The file; a suffix alone puts it next to the capture.")
@click.option("--chip-axes", "axes", flag_value="chip", help="Chip axes instead of vehicle axes, without calibration.")
@click.option("--counts", "axes", flag_value="counts", help="The chip's raw counts, in chip axes.")
@click.option(
    "--units",
    type=click.Choice([*UNITS]),
    default=default("units"),
    help="m/s² and rad/s (si), or g and °/s (g). Default: as set.",
)
@mounting_option
@bench_option
@answers
def command(
    capture: Path, path: Path, axes: Axes | None, units: Units, mounting: str | None, bench: Path | None
) -> Outcome:
    """Export, and print what was written."""
    if axes and mounting:
        raise CallError("--mounting is for vehicle axes; leave it out with --chip-axes or --counts")
    with open_capture(capture) as opened, counted_on_screen("exporting") as on_progress:
        axes = axes or "vehicle"
        samples = Samples(opened, axes, units, mounting=mounting, bench=bench, on_progress=on_progress)
        paths = export(samples, path)
        data = {"capture": capture, "files": paths, "rows": samples.n_rows, **samples.metadata}
    gaps = f", gaps {data['gaps']}" if data["gaps"] else ""
    names = paths[0] if len(paths) == 1 else f"{paths[0]} … {paths[-1].name} ({len(paths)} pieces)"
    values = "counts" if axes == "counts" else f"{' and '.join(data['units'].values())}, {axes} axes"
    return Outcome(data, f"{names}: {data['samples']} samples at {data['rate_hz']:.4f} Hz, {values}{gaps}")
