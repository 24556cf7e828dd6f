"""`towertap bench tumble`: offset, scale and cross-axis from six positions at rest."""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, BinaryIO

import click

from towertap.bench import records
from towertap.bench.poses import FACES, HOLD_S, PoseFinder, find_poses
from towertap.bench.tumble import WORST_ANGLE_DEG, Calibration, Gravity, calibrate, local_gravity
from towertap.box.keyboard import Request
from towertap.box.port import SerialBox
from towertap.capture.reading import open_capture
from towertap.cli._bench_recording import guided, record_now, recording_options
from towertap.cli._outcome import PATH, Outcome, answers, console, plain
from towertap.errors import AnalysisError, CallError
from towertap.wire.decoder import Decoder
from towertap.words.phrases import counted

GUIDE = (
    f"Let it warm up for ten minutes. Then lay it on a level, hard table on each of its six faces in any order, hands "
    f"off, {HOLD_S:.0f} s each. The screen says which face is up, when it was held long enough, and what is left."
)


@click.command(
    short_help="offset, scale and cross-axis from six faces",
    help="Calibrate from six positions at rest, in one or several CAPTURES, or recorded now. Gravity is the normal "
    "gravity at --latitude and --height, or else 9.80665 m/s².",
)
@click.argument("captures", nargs=-1, type=PATH)
@click.option("--latitude", type=float, help="Latitude of the bench, degrees, north positive: gravity to 50 ppm.")
@click.option("--height", type=float, help="Height of the bench above sea level, m.")
@recording_options(odr_hz=1000, seconds=600.0)
@answers
def tumble(
    captures: tuple[Path, ...], latitude: float | None, height: float | None, bench: Path | None, **recording: Any
) -> Outcome:
    """Record if no captures are given, find the positions, fit, keep the record."""
    gravity = local_gravity(latitude, height)
    paths = captures or (_record(bench=bench, **recording),)
    calibration, record = _calibrate(paths, gravity)
    written = records.write(record, records.bench_folder(paths[0], bench))
    data = {"captures": paths, "record": written, "subject": record.subject, **calibration.data()}
    return Outcome(data, "\n".join([*_lines(calibration), f"record {written}"]))


def _record(port: str | None, seconds: float, odr_hz: str, bench: Path | None) -> Path:
    """Record until every face was held long enough, or `seconds` have passed."""
    with guided(port, GUIDE) as box, closing(_Watcher(box, float(odr_hz))) as watcher:
        return record_now(box, "tumble", seconds, odr_hz, bench, watcher.look)


class _Watcher:
    """Follows the recording, reports every face that was held long enough, and stops after the last."""

    def __init__(self, box: SerialBox, rate_hz: float) -> None:
        self._range_g = float(box.identity.get("accel_range_g", 16))
        self._finder, self._decoder = PoseFinder(rate_hz), Decoder()
        self._file: BinaryIO | None = None
        self._done: set[str] = set()

    def look(self, raw_path: Path, stop: Request) -> str:
        """Read the new bytes of the file, report newly finished faces, and return the face that is up now."""
        self._file = self._file or raw_path.open("rb")
        for frames in self._decoder.feed(self._file.read()):
            if frames.layout:
                scale_ms2 = frames.layout.quantities["acceleration"].scale(self._range_g)
                self._finder.take(frames.counts()["acceleration"] * scale_ms2)
        face, seconds = self._finder.now
        done = {face for face, seconds in self._finder.longest_s().items() if seconds >= HOLD_S}
        if new := done - self._done:
            self._done = done
            left = [face for face in FACES if face not in done]
            rest = f"Still to do: {', '.join(left)}" if left else "All six are done."
            console.print(f"{', '.join(sorted(new))} up: done. {rest}")
            if not left:
                stop.set()
        return f"{face} up, {seconds:.0f} s" if face else "not still"

    def close(self) -> None:
        """Close the raw file."""
        if self._file:
            self._file.close()


def _calibrate(paths: Sequence[Path], gravity: Gravity) -> tuple[Calibration, records.Record]:
    """Calibrate from the poses in all captures, which must be of one box at one range."""
    poses, leaning, subjects = [], [], []
    for path in paths:
        with open_capture(path) as opened:
            records.refuse_import(opened)
            subjects.append(records.subject_of(opened))
            finder = find_poses((opened.blocks(piece) for piece in opened.pieces()), opened.rate_hz)
        poses += finder.poses
        leaning += finder.leaning
    for path, subject in zip(paths, subjects, strict=True):
        if (subject.serial, subject.range_g) != (subjects[0].serial, subjects[0].range_g):
            raise CallError(f"{path}: another box or range than {paths[0]}; give captures of one box at one range")
    try:
        calibration = calibrate(poses, gravity)
    except AnalysisError as error:
        where = f"{max(leaning, default=0):.0f}° in {counted(len(leaning), 'position')}"
        leans = f" (still but leaning {where}: lay it flat)" if leaning else ""
        raise AnalysisError(f"{error}{leans}") from None
    with open_capture(paths[0]) as opened:
        result = plain({**calibration.data(), "captures": [path.name for path in paths]})
        return calibration, records.record_of("calibration", opened, result)


def _lines(calibration: Calibration) -> list[str]:
    matrix, half = 100 * calibration.matrix, 100 * calibration.expanded_matrix
    lines = [f"gravity {calibration.gravity.value:.5f} m/s²: {calibration.gravity.source}"]
    for i, axis in enumerate("xyz"):
        across = [(j, other) for j, other in enumerate("xyz") if j != i]
        cross = ", ".join(f"from {other} {matrix[i, j]:+.3f} ± {half[i, j]:.3f} %" for j, other in across)
        lines.append(
            f"{axis}  offset {calibration.offset_ms2[i]:+.4f} ± {calibration.expanded_offset_ms2[i]:.4f} m/s², "
            f"scale {matrix[i, i] / 100:.5f} ± {half[i, i] / 100:.5f}, {cross}"
        )
    lines.append(
        f"residual {calibration.residual_ms2:.4f} m/s² r.m.s., which corresponds to {calibration.angle_deg:.2f}° of "
        f"scatter in placing the faces; {100 * calibration.expanded_gravity:.3f} % of each scale's interval is the "
        "uncertainty of gravity"
    )
    if calibration.angle_deg > WORST_ANGLE_DEG:
        lines.append("placed badly, so the cross-axis terms are poor; repeat on a flat table with clean faces")
    return [*lines, "± is half the 95 % interval; for cross-axis and offset it comes from the scatter of the placing"]
