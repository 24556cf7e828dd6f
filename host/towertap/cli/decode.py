"""`towertap decode`: make a capture from a raw recording."""

from pathlib import Path

import click

from towertap.capture.conditions import Ending
from towertap.capture.decode import decode_raw
from towertap.capture.ending import ending_of
from towertap.capture.reading import open_capture
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.cli._reading import counted_on_screen
from towertap.doors.files import sibling


@click.command(
    help="Make a capture (HDF5) from the raw recording RAW, with the conditions in its sidecar. To change conditions, "
    "use 'towertap correct'.",
    epilog="Example: towertap decode drives/bypass_rubber_pass01.ttraw",
)
@click.argument("raw", type=PATH)
@click.option("--out", type=PATH, help="The capture to write. Default: RAW's name with .h5.")
@answers
def command(raw: Path, out: Path | None) -> Outcome:
    """Decode, and print a one-line summary."""
    out = out or sibling(raw, ".h5")
    with counted_on_screen("decoding") as on_progress:
        decode_raw(raw, out, on_progress=on_progress)
    with open_capture(out) as capture:
        ending, how_it_ended = ending_of(capture.host, capture.text("bye"))
        missing = capture.gaps["missing"]
        data = {
            "capture": out,
            "samples": capture.n_samples,
            "rate_hz": capture.rate_hz,
            "seconds": capture.n_samples / capture.rate_hz,
            "missing_samples": int(missing[missing > 0].sum()),
            "gaps": len(missing),
            "bad_frames": int(capture.file.attrs["bad_frames"]),
            "ending": ending,
        }
    text = (
        f"{out}: {data['samples']} samples, {data['seconds']:.1f} s at {data['rate_hz']:.3f} Hz, "
        f"missing {data['missing_samples']}, gaps {data['gaps']}, bad frames {data['bad_frames']}"
    )
    if ending is Ending.BROKEN_OFF:
        text += f"\nbroken off: {how_it_ended}"
    return Outcome(data, text)
