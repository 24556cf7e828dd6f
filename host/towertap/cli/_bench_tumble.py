"""`towertap bench tumble`: offset, scale and cross-axis from six positions at rest."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

import click

from towertap.bench import records
from towertap.bench.gravity import Gravity, local_gravity
from towertap.bench.guided import Follower
from towertap.bench.poses import FACES, HOLD_S, PoseFinder, find_poses
from towertap.bench.tumble import WORST_ANGLE_DEG, Calibration, calibrate
from towertap.box.recorder import RecordingProgress
from towertap.capture.reading import open_capture
from towertap.cli._bench_recording import guided, record_now, recording_options
from towertap.cli._outcome import Outcome, answers, plain
from towertap.errors import AnalysisError, CallError

SECONDS = 600.0
GUIDE = (
    f"Let it warm up for ten minutes. Then lay it on a level, hard table on each of its six faces in any order, hands "
    f"off, {HOLD_S:.0f} s each. It says which face it sees, when it has enough of it, and what is left."
)


@click.command(
    name="tumble",
    short_help="offset, scale and cross-axis from six faces",
    help="Calibrate from six positions at rest, in one CAPTURE or several, or record them now. Gravity is the normal "
    "gravity of --latitude and --height, else 9.80665 m/s².",
)
@click.argument("captures", nargs=-1, type=click.Path(path_type=Path))
@click.option("--latitude", type=float, help="Of the bench, degrees, north positive: local gravity to some 50 ppm.")
@click.option("--height", type=float, help="Of the bench above the sea, m.")
@recording_options(odr_hz=1000)
@answers
def tumble(
    captures: tuple[Path, ...],
    latitude: float | None,
    height: float | None,
    port: str | None,
    seconds: float | None,
    odr_hz: str,
    folder: Path | None,
) -> Outcome:
    """Record if need be, find the positions, fit, keep."""
    gravity = local_gravity(latitude, height)
    paths = captures or (_record(port, seconds or SECONDS, odr_hz, folder),)
    found, record = _calibrate(paths, gravity)
    kept = records.write(record, records.bench_folder(paths[0], folder))
    data = {"captures": paths, "record": kept, "subject": record.subject.__dict__, **found.data()}
    return Outcome(data, "\n".join(_lines(found, kept)))


def _record(port: str | None, seconds: float, odr_hz: str, folder: Path | None) -> Path:
    """Record until every face was held long enough, or the time is over."""
    stop = threading.Event()
    with guided(port, GUIDE) as box:
        watcher = _Watcher(float(box.identity.get("accel_range_g", 16)), float(odr_hz), stop)
        try:
            return record_now(box, "tumble", seconds, odr_hz, folder, watch=watcher.look, stop=stop)
        finally:
            watcher.close()


class _Watcher:
    """Follows the recording, tells of every face that has been held, and ends when all have."""

    def __init__(self, accel_range_g: float, rate_hz: float, stop: threading.Event) -> None:
        self._range_g, self._stop = accel_range_g, stop
        self._finder = PoseFinder(rate_hz)
        self._follower: Follower | None = None
        self._told: set[str] = set()

    def look(self, progress: RecordingProgress, raw_path: Path) -> tuple[str, str]:
        """Take what is new; how it lies, and a line when a face has just been held long enough."""
        self._follower = self._follower or Follower(raw_path, self._range_g)
        self._finder.take(self._follower.new())
        face, seconds = self._finder.now
        now = f"{face} up, {seconds:.0f} s" if face else "not still"
        held = {face for face, seconds in self._finder.held().items() if seconds >= HOLD_S}
        if held == self._told:
            return now, ""
        new, self._told = held - self._told, held
        left = [face for face in FACES if face not in held]
        if not left:
            self._stop.set()
        rest = f"Still to do: {', '.join(left)}" if left else "All six done."
        return now, f"{', '.join(sorted(new))} up: enough. {rest}"

    def close(self) -> None:
        """Let go of the raw file."""
        if self._follower:
            self._follower.close()


def _calibrate(paths: Sequence[Path], gravity: Gravity) -> tuple[Calibration, records.Record]:
    """The calibration from the poses of all captures, which must be of one box at one range."""
    poses, leaning, subjects = [], [], []
    for path in paths:
        with open_capture(path) as opened:
            subjects.append(records.subject_of(opened))
            finder = find_poses((opened.blocks(piece) for piece in opened.pieces()), opened.rate_hz)
        poses += finder.poses
        leaning += finder.leaning
    for path, subject in zip(paths, subjects, strict=True):
        if (subject.serial, subject.range_g) != (subjects[0].serial, subjects[0].range_g):
            raise CallError(f"{path}: of another box or range than {paths[0]}: a calibration is of one box")
    try:
        found = calibrate(poses, gravity)
    except AnalysisError as error:
        leans = f" (still but leaning {max(leaning):.0f}° in {len(leaning)} positions: lay it flat)" if leaning else ""
        raise AnalysisError(f"{error}{leans}") from None
    with open_capture(paths[0]) as opened:
        result = plain({**found.data(), "captures": [path.name for path in paths]})
        return found, records.record_of("calibration", opened, result)


def _lines(found: Calibration, kept: Path) -> list[str]:
    lines = [f"gravity {found.gravity.value:.5f} m/s²: {found.gravity.source}"]
    for i, axis in enumerate("xyz"):
        scale, half = found.matrix[i, i], found.expanded_matrix[i, i]
        cross = ", ".join(
            f"from {other} {100 * found.matrix[i, j]:+.3f} ± {100 * found.expanded_matrix[i, j]:.3f} %"
            for j, other in enumerate("xyz")
            if j != i
        )
        lines.append(
            f"{axis}  offset {found.offset_ms2[i]:+.4f} ± {found.expanded_offset_ms2[i]:.4f} m/s², "
            f"scale {scale:.5f} ± {half:.5f}, {cross}"
        )
    lines.append(
        f"residual {found.residual_ms2:.4f} m/s² r.m.s., as if the faces had been placed with {found.angle_deg:.2f}° "
        f"of scatter; {100 * found.expanded_gravity:.3f} % of each scale's interval is not knowing gravity"
    )
    if found.angle_deg > WORST_ANGLE_DEG:
        lines.append(
            "placed badly: the cross-axis terms are worth little; use a flat table and clean faces, and repeat"
        )
    lines.append("± is half the 95 % interval; intervals of cross-axis and offset rest on the scatter of the placing")
    return [*lines, f"record {kept}"]
