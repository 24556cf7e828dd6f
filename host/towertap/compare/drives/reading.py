"""A pass from its capture: read once, with everything taken while it is open, and kept for the next run."""

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, TypedDict, Unpack, get_type_hints

from towertap.analysis import Columns, analyse_capture, outline, rows_of_pieces, windows_of
from towertap.bench.carried import records_for
from towertap.bench.records import bench_folder, digest_of, subject_of
from towertap.capture.conditions import Conditions
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import Capture, open_capture
from towertap.compare.drives.model import CELL_S, CELLS_A_WINDOW, Pass, Reading, Source
from towertap.doors.files import sha256_of
from towertap.doors.times import impossible, local
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.kept import Kept
from towertap.motion import Moving, in_words
from towertap.signals.fir import one_thread
from towertap.signals.metrics import METRICS, THIRDS
from towertap.workers import Workers

MOST_TOUCHED = 0.25
"""Share of a pass touched by clipping and overflows; beyond it the pass is left out."""
WORTH_BYTES = 20_000_000
"""Fewer bytes of captures, two seconds of work, are read before other processes have finished loading."""


class HowRead(TypedDict, total=False):
    """How captures are read.

    `fresh` ignores what an earlier run kept; `workers` share large amounts; `on_progress(done, total)` reports.
    """

    fresh: bool
    workers: Workers | None
    on_progress: Callable[[int, int], None] | None


Measures = Mapping[str, Callable[[Reading], Any]]
"""What else is taken from each capture while it is open, by name: see `Pass.measured`."""


class ReadTask(NamedTuple):
    """A capture to read; `inputs` are those of the same pass by a second box (None: not requested)."""

    path: Path
    inputs: tuple[Path, ...] | None = None


class CaptureRead(NamedTuple):
    """A capture's conditions (None: it does not open), and what became of it.

    That is a pass and its nominal rate in Hz, why it cannot be used, or None if it was not wanted.
    """

    conditions: Conditions | None
    outcome: tuple[Pass, float] | TowertapError | None


class ClippedOutError(AnalysisError):
    """Too much of the pass is clipped."""


class SeenAndStruckOutError(AnalysisError):
    """The pass was struck out by somebody who had seen its values."""


@dataclass(frozen=True)
class PassReader:
    """Reads passes from captures, opening each once, with everything measured while it is open.

    With `parts`, other parts' captures are only read for their conditions. So are those of another `vehicle` or
    `position`.
    """

    measures: Measures
    include_unsound: bool = False
    whole: bool = False
    """Keep standing and pulling away."""
    bench: Path | None = None
    parts: frozenset[str] | None = None
    vehicle: str | None = None
    position: str | None = None

    def read_all(self, wanted: Sequence[ReadTask], **how: Unpack[HowRead]) -> dict[Path, CaptureRead]:
        """Each capture in order; CallError if the folder of bench records does not exist."""
        if self.bench and not self.bench.is_dir():
            raise CallError(f"no folder '{self.bench}': name the one that holds the bench records")
        workers, on_progress = how.get("workers"), how.get("on_progress")
        kept = {} if how.get("fresh") else {task.path: read for task in wanted if (read := self._kept(task))}
        missing = [task for task in wanted if task.path not in kept]
        alone = workers is None or sum(os.path.getsize(task.path) for task in missing) < WORTH_BYTES
        with nullcontext() if alone or workers is None else workers() as executor:
            captures = executor.map(self.read, missing) if executor else map(self.read, missing)
            for done, (task, capture) in enumerate(zip(missing, captures, strict=True), len(kept) + 1):
                kept[task.path] = capture
                if on_progress:
                    on_progress(done, len(wanted))
        return {task.path: kept[task.path] for task in wanted}

    def read(self, task: ReadTask) -> CaptureRead:
        """Read one capture and keep the pass; see `read_all`."""
        entry, label = self._entry(task), None
        try:
            with open_capture(task.path) as capture, one_thread():
                label = capture.conditions
                is_of_parts = self.parts is None or (bool(label.road) and label.part in self.parts)
                is_of_vehicle = self.vehicle in (None, label.vehicle)
                if not is_of_parts or not is_of_vehicle or self.position not in (None, label.box_position):
                    return CaptureRead(label, None)
                drive, rate_hz = self._pass(capture, task.inputs)
        except TowertapError as error:
            return CaptureRead(label, error)
        entry.keep((replace(drive, measured={}), rate_hz, drive.measured))
        return CaptureRead(label, (drive, rate_hz))

    def _entry(self, task: ReadTask) -> Kept:
        measured = [f"{name} by {measure.__module__}.{measure.__qualname__}" for name, measure in self.measures.items()]
        bench = bench_folder(task.path, self.bench)
        settings = (self.include_unsound, self.whole, str(bench), digest_of(bench), *METRICS, *THIRDS, *measured)
        files = (task.path, *(task.inputs or ()))
        return Kept(task.path, "compared" if measured else "followed", (*settings, task.inputs is None), files)

    def _kept(self, task: ReadTask) -> CaptureRead | None:
        hints = {name: get_type_hints(measure)["return"] for name, measure in self.measures.items()}
        kind: Any = TypedDict("Measured", hints)  # type: ignore[misc]
        stored = self._entry(task).look_up(tuple[Pass, float, kind])
        if stored is None:
            return None
        drive, rate_hz, measured = stored
        return CaptureRead(drive.conditions, (replace(drive, path=task.path, measured=measured), rate_hz))

    def _pass(self, capture: Capture, inputs: tuple[Path, ...] | None) -> tuple[Pass, float]:
        if struck := capture.struck_out:
            raise (SeenAndStruckOutError if struck.after_values else AnalysisError)(struck.words)
        integrity, started = check(capture), began(capture)
        touched = bool(integrity.touched) and not self.whole and not self.include_unsound
        if not (integrity.sound or touched or self.include_unsound):
            raise AnalysisError(f"not sound: {'; '.join(integrity.reasons)}")
        records = records_for(capture, self.bench)
        analysis = analyse_capture(
            capture,
            window_s=CELL_S,
            metrics=[*METRICS, *THIRDS],
            bench=records,
            knocks=True,
            whole=self.whole,
            clipped_s=integrity.clipped_s if touched else (),
        )
        _refuse(integrity, touched, analysis.moving, analysis.settling_s, analysis.columns)
        windows = windows_of(analysis.columns, {}, {}, CELLS_A_WINDOW)
        reading = Reading(capture, analysis, windows, inputs, self.include_unsound, self.bench)
        drive = Pass(
            path=capture.path,
            side="before",  # until the caller sets it
            conditions=capture.conditions,
            integrity=integrity,
            cells={name: analysis.columns[name] for name in ("piece", "start_s")},
            kept=analysis.kept.kept,
            noise=analysis.noise,
            beyond=analysis.beyond,
            bench=analysis.bench,
            to_vehicle=analysis.to_vehicle,
            started=None if started and impossible(started) else started,
            source=_source(capture),
            forward_ms2=analysis.course.forward_ms2,
            moving=analysis.moving,
            touched=touched,
            measured={name: measure(reading) for name, measure in self.measures.items()},
            left_out=analysis.left_out,
        )
        return drive, capture.odr_hz


def why_unusable(capture: Capture, integrity: Integrity) -> str:
    """Why no comparison uses a capture as a pass, as a comparison would say it; empty if it would use it."""
    touched = bool(integrity.touched)
    if not (integrity.sound or touched):
        return "; ".join(integrity.reasons)
    try:
        drive = outline(capture, CELL_S, integrity.clipped_s if touched else ())
        _refuse(integrity, touched, drive.moving, drive.settling_s, drive.places)
    except AnalysisError as error:
        return str(error).removeprefix(f"{capture.path}: ")
    return ""


def _refuse(integrity: Integrity, touched: bool, moving: Moving | None, settling_s: float, cells: Columns) -> None:
    """AnalysisError if clipped samples and the filters' settling after gaps take too much of the pass, or all."""
    clipped_s = moving.touched.sum() * CELL_S if moving else 0.0
    lost = float((clipped_s + settling_s * len(integrity.gaps)) / integrity.seconds)
    if touched and lost > MOST_TOUCHED:
        error = ClippedOutError if "clipping" in integrity.touched else AnalysisError
        reasons = "; ".join(integrity.reasons)
        raise error(f"not sound: {reasons}; {100 * lost:.0f} % of it is touched, too much to use the rest")
    if max(rows.size for rows in rows_of_pieces(cells["piece"])) < CELLS_A_WINDOW:
        left_out = f": {in_words(moving)} are left out" if moving and moving.left_out.any() else ""
        raise AnalysisError(f"too short or too broken for one whole window{left_out}")


def _source(capture: Capture) -> Source:
    firmware = str(capture.hello.get("firmware", "not said"))
    return Source(
        capture.text("chip"),
        firmware,
        sha256_of(capture.path),
        capture.text("raw_sha256"),
        not capture.is_imported,
        subject_of(capture).anti_alias_hz,
    )


def began(capture: Capture) -> datetime | None:
    """When the recording began, in local time as shown there; None if the capture does not say."""
    return local(capture.text("started_utc"), capture.utc_offset_s)
