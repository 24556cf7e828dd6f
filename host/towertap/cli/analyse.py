"""`towertap analyse`: the metrics of one capture, per window and as a whole."""

from __future__ import annotations

import math
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import click
import numpy as np
from rich.console import Group
from rich.table import Table
from rich.text import Text

from towertap.amendments import note_seen
from towertap.analysis import Analysis, analyse_capture, describe
from towertap.archive.record import is_archived
from towertap.bench.carried import records_for
from towertap.bench.records import bench_folder, digest_of
from towertap.capture.conditions import StruckOut
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.cli._outcome import Outcome, answers
from towertap.cli._reading import bench_option, fresh_option
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

NO_COURSE = DriveCourse(np.empty(0), np.empty(0), None)
TABLE_START = b"# towertap windows\n"
"""By which a table of windows is told from any other .csv."""
MARKS = {"clean": "", "marked": " *", "not judged": " **"}


@click.command(
    name="analyse",
    help="Print acceleration, weighted acceleration, jerk and bands of CAPTURE as a whole; save them per window.",
    epilog="Example: towertap analyse drives/bypass_rubber_pass01.h5 --out windows.csv",
)
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Table of windows; default NAME.windows.csv.")
@click.option("--window-s", type=float, default=1.0, show_default=True, help="Length of a window, s.")
@click.option("--jerk-edge-hz", type=float, help=f"Upper edge of the jerk, Hz.  [default: {EDGE_HZ:g}]")
@click.option(
    "--mounting", help="Chip axis along each vehicle axis, instead of the capture's: x=+X,y=+Y,z=+Z or x=+X,z=gravity."
)
@bench_option
@click.option("--whole", is_flag=True, help="Keep standing, pulling away and what marks start and stop cut off.")
@fresh_option
@answers
def command(
    capture: Path,
    out: Path | None,
    window_s: float,
    jerk_edge_hz: float | None,
    mounting: str | None,
    bench: Path | None,
    whole: bool,
    fresh: bool,
) -> Outcome:
    """Analyse, save, tell."""
    out = out or (capture.with_suffix(".windows.csv") if not is_archived(capture) else beside_archive(capture))
    if os.path.realpath(out) == os.path.realpath(capture):
        raise CallError(f"{out}: the table would overwrite the capture; give another --out")
    refuse_to_replace(out)
    records = bench_folder(capture, bench)
    settings = (window_s, jerk_edge_hz, mounting, whole, str(records), digest_of(records), *METRICS)
    entry = Kept(capture, "analysed", settings)
    read: CaptureAnalysed | None = None if fresh else entry.look_up(CaptureAnalysed)
    if read is None:
        read = _read(capture, bench, window_s, jerk_edge_hz, mounting, whole)
        entry.keep(read.to_keep())
    analysis, integrity, struck = read.restored(), read.integrity, read.struck_out
    note_seen([(capture, read.raw_sha256)])
    write_windows(analysis, out)
    return Outcome(
        _data(capture, out, analysis), Group(_table(analysis), *_not_used(integrity, struck), *_remarks(out, analysis))
    )


@dataclass(frozen=True)
class CaptureAnalysed:
    """What the command reads of a capture; kept without what is a table of this program."""

    analysis: Analysis
    integrity: Integrity
    struck_out: StruckOut | None
    raw_sha256: str

    def to_keep(self) -> CaptureAnalysed:
        """Without the metrics themselves, and what nothing that is told needs: ten hours of it are 100 MB in memory."""
        told = replace(self.analysis, metrics={}, kept=Windows(np.empty((0, 0), np.float32), {}, {}), course=NO_COURSE)
        return replace(self, analysis=told)

    def restored(self) -> Analysis:
        """The analysis with its metrics."""
        return replace(self.analysis, metrics={name: METRICS[name] for name in self.analysis.whole})


def _read(
    path: Path,
    bench: Path | None,
    window_s: float,
    jerk_edge_hz: float | None,
    mounting: str | None,
    whole: bool,
) -> CaptureAnalysed:
    with open_capture(path) as capture:
        integrity = check(capture)  # what is damaged anywhere is damaged here
        if jerk_edge_hz is not None:  # asked for: to leave the jerk out is no answer
            design(jerk_edge_hz, capture.rate_hz)
        analysis = analyse_capture(
            capture,
            window_s=window_s,
            jerk_edge_hz=jerk_edge_hz or EDGE_HZ,
            mounting=mounting,
            bench=records_for(capture, bench),
            whole=whole,
        )
        return CaptureAnalysed(analysis, integrity, capture.struck_out, capture.text("raw_sha256"))


def beside_archive(capture: Path) -> Path:
    """An archived recording stays as it was added: what is made of it goes where one works."""
    return Path(f"{capture.parent.name}.windows.csv")


def _not_used(integrity: Integrity, struck: StruckOut | None) -> list[Text]:
    """Why no comparison uses it."""
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
        "bench": asdict(analysis.bench),
        "windows": analysis.columns,
        "left_out": analysis.left_out,
        "left_out_s": analysis.moving.seconds() if analysis.moving else {},
    }


def _table(analysis: Analysis) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("metric", no_wrap=True, min_width=max(map(len, analysis.whole)))  # --metric wants it whole
    for name in ("what", "band, Hz", "whole", "±", "unit", "noise"):
        table.add_column(name, justify="right" if name in ("whole", "±", "noise") else "left", overflow="fold")
    for name, value in analysis.whole.items():
        low, high = analysis.bands_hz[name]
        metric, share = analysis.metrics[name], analysis.noise.get(name)
        uncertainty = analysis.uncertainty.get(name)
        table.add_row(
            name,
            metric.label,
            f"{low:g} to {high:g}{' †' if name in analysis.beyond else ''}",
            number(value, 4),
            "" if uncertainty is None else number(uncertainty, 2),
            metric.unit,
            "" if share is None else f"{_percent(share.share)}{MARKS[share.judged]}",
        )
    return table


def _percent(share: float) -> str:
    return "< 0.1 %" if share < 0.001 else f"{100 * share:.1f} %"


def _no_drive(analysis: Analysis) -> list[str]:
    """What is no drive over the road and left out."""
    words = in_words(analysis.moving) if analysis.moving else ""
    return [f"Left out: {words} (--whole keeps all)."] if words else []


def _remarks(out: Path, analysis: Analysis) -> list[Text]:
    lines = [
        *(f"{name} is left out: {reason}" for name, reason in analysis.left_out.items()),
        *_no_drive(analysis),
        f"{analysis.analysed_s:.1f} s in {counted(analysis.n_windows, 'window')} of {analysis.window_s:.3g} s at "
        f"{analysis.rate_hz:.2f} Hz; the first {analysis.settling_s:.2f} s after every start and gap are left out "
        "while the filters settle.",
        f"The edges of bands other than the weightings' are common practice; bands are {SKIRT}.",
        *(f"{MARKS[share.judged]} {share.words}.".lstrip() for share in analysis.noise.values() if share.words),
        *(f"† {reason}." for reason in analysis.beyond.values()),
        "± is what the uncertainty of the scale makes of absolute values; a ratio of the same box does not have it. "
        "noise is the share in the power of the sensor's own, or of the idling engine's where that was recorded.",
        *(f"Bench: {words}." for words in dict.fromkeys(analysis.bench.words.values())),
        f"Per window: {out}",
    ]
    return [Text(line) for line in lines]


def refuse_to_replace(path: Path) -> None:
    """CallError where no table of windows can go: another suffix, no folder, or something else that is there."""
    if path.suffix.lower() != ".csv":
        raise CallError(f"{path}: no table is written as '{path.suffix}': give .csv")
    if not path.parent.is_dir():
        raise CallError(f"{path}: no folder '{path.parent}'; make it first, or give another --out")
    if path.exists() and not (path.is_file() and _is_table(path)):
        raise CallError(f"{path}: there already, and no table of windows: not replaced; give another --out")


def write_windows(analysis: Analysis, path: Path) -> None:
    """Write the windows of an analysis, whole or not at all, under a line on each metric."""
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


def _is_table(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(TABLE_START)) == TABLE_START
