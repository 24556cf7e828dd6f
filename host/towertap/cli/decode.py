"""`towertap decode`: a capture from a raw recording."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.markup import escape
from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn

from towertap.capture.conditions import RANGES, Conditions, read_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.cli._outcome import Outcome, answers, console
from towertap.errors import CallError

CONDITION_OPTIONS = {
    "vehicle": "The vehicle.",
    "part": "The part fitted, by the name that compare will call it.",
    "road": "The road.",
    "pass_number": "Number of the pass, from 1.",
    "speed_kmh": "Speed aimed at, km/h.",
    "tyre_pressures_kpa": 'Front left, front right, rear left, rear right: "250, 250, 300, 300".',
    "air_temperature_c": "Air temperature, °C.",
    "box_position": "Where the box sits.",
    "mounting": 'Chip axis along each vehicle axis (x forward, y left, z up): "x=+X,y=+Y,z=+Z".',
    "notes": "Anything else.",
}
"""Field of Conditions → help of its option."""


def condition_options(command: Any) -> Any:
    """Give a command one option for each field of Conditions; each is None when it was not given."""
    for name, text in reversed(CONDITION_OPTIONS.items()):
        kind = {"pass_number": int}.get(name, float if name in RANGES else str)
        command = click.option(condition_flag(name), name, type=kind, default=None, help=text)(command)
    return command


def condition_flag(name: str) -> str:
    """The option of a field of Conditions; the unit stays in its name."""
    return "--pass" if name == "pass_number" else f"--{name.replace('_', '-')}"


@click.command(
    name="decode",
    help="Make a capture (HDF5) from the raw recording RAW alone; what is given here overrides the sidecar.",
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
    if out.resolve() == raw.resolve():
        raise CallError(f"{raw}: the capture would overwrite the raw recording; give another --out")
    held = read_sidecar(raw)["conditions"].to_dict()
    conditions = Conditions(**(held | {name: value for name, value in given.items() if value is not None}))
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
        f"{escape(str(out))}: {data['samples']} samples, {data['seconds']:.1f} s at {data['rate_hz']:.3f} Hz, "
        f"missing {data['missing_samples']}, gaps {data['gaps']}, bad frames {data['bad_frames']}"
    )
    return Outcome(data, text)
