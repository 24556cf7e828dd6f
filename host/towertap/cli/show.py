"""`towertap show`: draw one capture and summarise it in a few lines."""

from pathlib import Path

import click
import numpy as np
from rich.text import Text

from towertap.amendments import note_seen
from towertap.analysis import analyse_capture
from towertap.archive.record import is_archived
from towertap.bench.carried import records_for
from towertap.capture.reading import open_capture
from towertap.cli._envelope import envelope
from towertap.cli._outcome import PATH, Outcome, answers, judged, lines
from towertap.cli._reading import output_path
from towertap.compare.inventory import entry_of
from towertap.errors import FileError
from towertap.motion import in_words, moving
from towertap.signals.metrics import THIRDS
from towertap.words.numbers import number

AXES = ("x", "y", "z")
PNG_START = b"\x89PNG\r\n\x1a\n"
SEEN = "you have now seen its values; if you strike the pass out later, that is noted"
RUNNING = ("acceleration_z", "weighted_z")
"""Metrics drawn per second."""


@click.command(
    help="Draw CAPTURE: acceleration in vehicle axes, r.m.s. and third-octaves per second, with marks, gaps and "
    "stretches that are not part of the drive. This shows values: strike a pass out before, not after you see them.",
    epilog="Example: towertap show drives/bypass_rubber_pass01.h5",
)
@click.argument("capture", type=PATH)
@click.option("--out", type=PATH, help="The picture to write. Default: NAME.png.")
@answers
def command(capture: Path, out: Path | None) -> Outcome:
    """Read, draw, summarise."""
    from towertap.cli import _show_figure  # matplotlib takes long to load

    out = output_path(capture, out, ".png", PNG_START, "picture")
    with open_capture(capture) as opened:
        analysis = analyse_capture(opened, metrics=[*RUNNING, *THIRDS], bench=records_for(opened), whole=True)
        motion = moving(opened, analysis.course)
        windows, digest = analysis.columns, opened.text("raw_sha256")
        directions = zip(AXES, analysis.to_vehicle, strict=True)
        envelopes = {axis: envelope(opened, direction) for axis, direction in directions}
        texts = [text.decode("utf-8", "replace") for text in opened.marks["text"]]
        marks = list(zip(opened.times_s(opened.marks["row"]).tolist(), texts, strict=True))
        pieces = [(piece.start_time_s, piece.start_time_s + piece.n_rows / opened.rate_hz) for piece in opened.pieces()]
    entry = entry_of(capture)
    conditions = entry.conditions
    drive = f"{conditions.road or '?'}, {conditions.part or '?'}, pass {conditions.pass_number or '?'}"
    title = f"{drive}: {pieces[-1][1]:.0f} s"
    try:
        _show_figure.write(out, title, envelopes, windows, pieces, marks, motion)
    except OSError as error:
        raise FileError(f"{out}: cannot be written: {error.strerror or error}") from None
    note_seen([(capture, digest)])
    peaks = {axis: float(np.nanmax(np.abs([drawn.low, drawn.high]))) for axis, drawn in envelopes.items()}
    left_out = in_words(motion)
    text = lines(
        title,
        Text(f"NOT usable: {entry.problem}", "red")
        if entry.problem
        else judged(True, (entry.integrity and entry.integrity.remark) or "sound"),
        f"peaks    {', '.join(f'{axis} {number(peak)}' for axis, peak in peaks.items())} m/s², without gravity",
        *(f"{analysis.metrics[name].label}, per second: {_range(windows[name])} m/s²" for name in RUNNING),
        *([f"not part of the drive: {left_out}"] if left_out else []),
        *(f"mark     {time_s:.1f} s {text}" for time_s, text in marks),
        f"picture  {out}",
        *([] if entry.is_struck_out or is_archived(capture) else [Text(f"caution  {SEEN}", "yellow")]),
    )
    data = {
        "capture": capture,
        "picture": out,
        "problem": entry.problem,
        "peaks_ms2": peaks,
        "left_out_s": motion.seconds(),
        "marks": [{"time_s": time_s, "text": text} for time_s, text in marks],
    }
    return Outcome(data, text)


def _range(values: np.ndarray) -> str:
    return f"{number(float(values.min()))} to {number(float(values.max()))}"
