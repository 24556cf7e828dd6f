"""`towertap decode`: a capture from a raw recording."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn

from towertap.capture.conditions import Conditions, read_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.cli._conditions import condition_options, held_to_rules
from towertap.cli._outcome import Outcome, answers, console


@click.command(
    name="decode",
    help="Make a capture (HDF5) from the raw recording RAW alone; what is given here overrides the sidecar.",
    epilog="Example: towertap decode drives/bypass_rubber_pass01.ttraw --mounting x=+X,y=+Y,z=+Z",
)
@click.argument("raw", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="The capture to write; RAW's name with .h5 when not given."
)
@condition_options
@answers
def command(raw: Path, out: Path | None, **given: Any) -> Outcome:
    """Decode and say in one line what came of it."""
    out = out or raw.with_suffix(".h5")
    overriding = {
        name: held_to_rules(name, value) if value != "" else value  # an empty text takes back what the sidecar says
        for name, value in given.items()
        if value is not None
    }
    conditions = Conditions(**(read_sidecar(raw)["conditions"].to_dict() | overriding))
    columns = ("decoding", BarColumn(), DownloadColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("decode", total=None)
        decode_raw(raw, out, conditions, lambda done, total: progress.update(task, completed=done, total=total))
    with open_capture(out) as capture:
        missing = capture.gaps["missing"]
        data = {
            "capture": out,
            "samples": capture.n_samples,
            "rate_hz": capture.rate_hz,
            "seconds": capture.n_samples / capture.rate_hz,
            "missing_samples": int(missing[missing > 0].sum()),
            "gaps": len(missing),
            "bad_frames": int(capture.file.attrs["bad_frames"]),
        }
    text = (
        f"{out}: {data['samples']} samples, {data['seconds']:.1f} s at {data['rate_hz']:.3f} Hz, "
        f"missing {data['missing_samples']}, gaps {data['gaps']}, bad frames {data['bad_frames']}"
    )
    return Outcome(data, text)
