"""`towertap analyse`: the metrics of one capture, per window and overall."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import numpy as np
from rich.console import Group
from rich.table import Table
from rich.text import Text

from towertap.amendments import note_seen
from towertap.analysis import Analysis, analyse_capture, describe
from towertap.bench.carried import records_for
from towertap.bench.records import bench_folder, digest_of
from towertap.capture.conditions import StruckOut
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.cli._reading import bench_option, fresh_option, mounting_option, output_path, whole_option
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError
from towertap.kept import Kept
from towertap.motion import DriveCourse, in_words
from towertap.signals.bands import SKIRT
from towertap.signals.jerk import EDGE_HZ, design
from towertap.signals.metrics import METRICS
from towertap.signals.stream import Windows
from towertap.words.numbers import number
from towertap.words.phrases import counted, sentence_case

NO_WINDOWS, NO_COURSE = Windows(np.empty((0, 0), np.float32), {}, {}), DriveCourse(np.empty(0), np.empty(0), None)
TABLE_START = b"# towertap windows\n"
"""Distinguishes a table of windows from any other .csv."""
MARKS = {"clean": "", "marked": " *", "not judged": " **"}


@click.command(
    help="Print overall acceleration, weighted acceleration, jerk and bands of CAPTURE, and save them per window.",
    epilog="Example: towertap analyse drives/bypass_rubber_pass01.h5 --out windows.csv",
)
@click.argument("capture", type=PATH)
@click.option("--out", type=PATH, help="Table of windows to write. Default: NAME.windows.csv.")
@click.option("--window-s", type=float, default=1.0, show_default=True, help="Length of a window, s.")
@click.option("--jerk-edge-hz", type=float, help=f"Upper edge of the jerk, Hz.  [default: {EDGE_HZ:g}]")
@mounting_option
@bench_option
@whole_option
@fresh_option
@answers
def command(capture: Path, out: Path | None, bench: Path | None, fresh: bool, **settings: Any) -> Outcome:
    """Analyse, save the windows, print the overall values."""
    out = output_path(capture, out, ".windows.csv", TABLE_START, "table of windows")
    if out.suffix.lower() != ".csv":
        raise CallError(f"{out}: a table cannot be written as '{out.suffix}'; give .csv")
    if not out.parent.is_dir():
        raise CallError(f"{out}: no folder '{out.parent}'; create it first, or give another --out")
    read = _read(capture, bench, fresh, **settings)
    analysis = replace(read.analysis, metrics={name: METRICS[name] for name in read.analysis.whole})
    note_seen([(capture, read.raw_sha256)])
    write_windows(analysis, out)
    text = Group(_table(analysis), *_why_unused(read.integrity, read.struck_out), *_remarks(out, analysis))
    return Outcome(_data(capture, out, analysis), text)


@dataclass(frozen=True)
class _Read:
    """What is kept from run to run: all that is printed or written, without the 100 MB of a ten-hour capture."""

    analysis: Analysis
    """Without metrics, windows and course."""
    integrity: Integrity
    struck_out: StruckOut | None
    raw_sha256: str


def _read(path: Path, bench: Path | None, fresh: bool, jerk_edge_hz: float | None, **settings: Any) -> _Read:
    folder = bench_folder(path, bench)
    entry = Kept(path, "analysed", (jerk_edge_hz, settings, str(folder), digest_of(folder), [*METRICS]))
    read: _Read | None = None if fresh else entry.look_up(_Read)
    if read is None:
        with open_capture(path) as capture:
            integrity = check(capture)  # reads everything, so damage anywhere is found
            if jerk_edge_hz is not None:  # raises if the rate is too low; by default the jerk is left out then
                design(jerk_edge_hz, capture.rate_hz)
            records = records_for(capture, bench)
            analysis = analyse_capture(capture, jerk_edge_hz=jerk_edge_hz or EDGE_HZ, bench=records, **settings)
            lean = replace(analysis, metrics={}, kept=NO_WINDOWS, course=NO_COURSE)
            read = _Read(lean, integrity, capture.struck_out, capture.text("raw_sha256"))
        entry.keep(read)
    return read


def _why_unused(integrity: Integrity, struck: StruckOut | None) -> list[Text]:
    """Why no comparison uses the capture."""
    reasons = [f"Not sound: {reason}." for reason in integrity.reasons]
    reasons += [f"{sentence_case(struck.words)}; comparisons leave it out."] if struck else []
    return [Text(reason, "yellow") for reason in reasons]


def _data(capture: Path, out: Path, analysis: Analysis) -> dict[str, object]:
    return {
        "capture": capture,
        "table": out,
        "rate_hz": analysis.rate_hz,
        "window_s": analysis.window_s,
        "settling_s": analysis.settling_s,
        "analysed_s": analysis.analysed_s,
        "whole": {name: {"value": analysis.whole[name], **about} for name, about in describe(analysis).items()},
        "bench": analysis.bench,
        "windows": analysis.columns,
        "left_out": analysis.left_out,
        "left_out_s": analysis.moving.seconds() if analysis.moving else {},
    }


def _table(analysis: Analysis) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("metric", no_wrap=True, min_width=max(map(len, analysis.whole)))  # to copy for --metric
    for name in ("what", "band, Hz", "whole", "±", "unit", "noise"):
        table.add_column(name, justify="right" if name in ("whole", "±", "noise") else "left", overflow="fold")
    for name, value in analysis.whole.items():
        low, high = analysis.bands_hz[name]
        metric, share = analysis.metrics[name], analysis.noise.get(name)
        uncertainty, noise = analysis.uncertainty.get(name), ""
        if share:
            noise = ("< 0.1 %" if share.share < 0.001 else f"{100 * share.share:.1f} %") + MARKS[share.judged]
        table.add_row(
            name,
            metric.label,
            f"{low:g} to {high:g}{' †' if name in analysis.beyond else ''}",
            number(value, 4),
            "" if uncertainty is None else number(uncertainty, 2),
            "" if metric.unit == "1" else metric.unit,
            noise,
        )
    return table


def _remarks(out: Path, analysis: Analysis) -> list[Text]:
    left_out = in_words(analysis.moving) if analysis.moving else ""
    lines = [
        *(f"{name} is left out: {reason}" for name, reason in analysis.left_out.items()),
        *([f"Left out: {left_out} (--whole keeps all)."] if left_out else []),
        f"{analysis.analysed_s:.1f} s in {counted(analysis.n_windows, 'window')} of {analysis.window_s:.3g} s at "
        f"{analysis.rate_hz:.2f} Hz; the first {analysis.settling_s:.2f} s after every start and gap are left out "
        "while the filters settle.",
        f"Band edges are common practice, except those of the weightings; bands are {SKIRT}.",
        *(f"{MARKS[share.judged]} {share.words}.".lstrip() for share in analysis.noise.values() if share.words),
        *(f"† {reason}." for reason in analysis.beyond.values()),
        "± is the uncertainty of an absolute value from the sensor's scale; in a ratio of two values from the same "
        "box it cancels. 'noise' is the share of the power that is the sensor's noise, or the idling engine if that "
        "was recorded.",
        *(f"Bench: {words}." for words in dict.fromkeys(analysis.bench.words.values())),
        f"Per window: {out}",
    ]
    return [Text(line) for line in lines]


def write_windows(analysis: Analysis, path: Path) -> None:
    """Write the windows of an analysis, completely or not at all, below one line per metric."""
    with whole_file(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        file.write(TABLE_START.decode())
        for name, about in describe(analysis).items():
            low, high = about["band_hz"]
            noise = f"; noise {100 * about['noise_share']:.1f} %, {about['judged']}" if "judged" in about else ""
            beyond = "; beyond the mounting" if "beyond_mounting" in about else ""
            file.write(f"# {name}: {about['label']}, {about['unit']}, {low:g} to {high:g} Hz{noise}{beyond}\n")
        file.write(",".join(analysis.columns) + "\n")
        rows = zip(*analysis.columns.values(), strict=True)
        file.writelines(",".join(["" if math.isnan(value) else f"{value:.7g}" for value in row]) + "\n" for row in rows)
