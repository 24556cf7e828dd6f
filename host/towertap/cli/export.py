"""`towertap export`: a capture's samples in the format of another program."""

from pathlib import Path

import click

from towertap.capture.reading import open_capture
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.cli._reading import bench_option, counted_on_screen
from towertap.errors import CallError
from towertap.exchange.exports import EXPORTS, export
from towertap.exchange.samples import UNITS, Axes, Samples, Units
from towertap.settings import default


@click.command(
    help=f"""Write the samples of CAPTURE in the format that the suffix of --to names: {", ".join(EXPORTS)}.

Time is in s from the first sample at the true rate; values are in vehicle axes (x forward, y left, z up), corrected by
the bench's calibration where one holds. What is known of the drive goes with them as metadata. A gap is a row of NaN;
.wav and .uff hold no gaps, so each piece stands by itself.""",
    epilog="Example: towertap export drives/bypass_rubber_pass01.h5 --to .csv",
)
@click.argument("capture", type=PATH)
@click.option(
    "--to", "path", type=PATH, required=True, help="The file to write, or its suffix alone, for one beside the capture."
)
@click.option("--chip-axes", "axes", flag_value="chip", help="Axes as the chip has them, without calibration.")
@click.option("--counts", "axes", flag_value="counts", help="The chip's own numbers.")
@click.option(
    "--units",
    type=click.Choice([*UNITS]),
    default=default("units"),
    help="m/s² and rad/s (si), or g and °/s (g); as set.",
)
@click.option("--mounting", help="Chip axis along each vehicle axis, instead of the capture's: x=+X,y=+Y,z=+Z.")
@bench_option
@answers
def command(
    capture: Path, path: Path, axes: Axes | None, units: Units, mounting: str | None, bench: Path | None
) -> Outcome:
    """Export and say what was written."""
    if axes and mounting:
        raise CallError("--mounting turns chip axes into the vehicle's; it has no meaning with --chip-axes or --counts")
    with open_capture(capture) as opened, counted_on_screen("exporting") as on_progress:
        axes = axes or "vehicle"
        samples = Samples(opened, axes, units, mounting=mounting, bench=bench, on_progress=on_progress)
        paths = export(samples, path)
        data = {"capture": capture, "files": paths, "rows": samples.n_rows, **samples.metadata}
    gaps = f", gaps {data['gaps']}" if data["gaps"] else ""
    names = paths[0] if len(paths) == 1 else f"{paths[0]} … {paths[-1].name} ({len(paths)} pieces)"
    of_values = "counts" if axes == "counts" else f"{' and '.join(data['units'].values())}, {axes} axes"
    return Outcome(
        data,
        f"{names}: {data['samples']} samples at {data['rate_hz']:.4f} Hz, {of_values}{gaps}",
    )
