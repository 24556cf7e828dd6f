"""From a capture to the values of its windows and of the complete drive, in vehicle axes: where signals meet files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.bench.carried import BenchRecords, BenchSummary, no_records
from towertap.bench.mounted import rotation_to_vehicle
from towertap.bench.sharing import Share, beyond_mounting, noise_share
from towertap.capture.reading import Capture, Piece
from towertap.errors import AnalysisError, CallError
from towertap.lazily import pd
from towertap.motion import CELL_S, CourseReader, DriveCourse, Moving, in_words, moving
from towertap.signals.channels import ACCELERATIONS, AXES, Channel, MetricSettings
from towertap.signals.filters import CARRIED, Array, Band
from towertap.signals.fir import Single, one_thread
from towertap.signals.jerk import EDGE_HZ
from towertap.signals.knocks import LEAST_TOP_HZ, Knock, KnockFinder, Thresholds
from towertap.signals.metrics import METRICS, THIRDS, Metric
from towertap.signals.stream import Bank, Windowing, Windows

Columns = dict[str, NDArray[Any]]
"""A table of n windows: `piece` (from 0), `start_s` (from the first sample) and one column (n,) per metric."""

BLOCK_ROWS = 131200
"""A multiple of the course's steps at 1, 2, 4 and 8 kHz, so that no rows are left over and copied."""
WINDOW_S = (0.1, 60.0)
"""Shortest and longest window, in seconds."""

STAND_S = 3.0
"""A vehicle must stand this long within a pass, with settled filters, before that measures the engine."""


@dataclass(frozen=True, eq=False)
class Analysis:
    """The result of analysing a capture.

    `columns`: values of the windows. `whole`: each metric over all windows together. `kept`: what both are computed
    from. `knocks`: timed from the capture's first sample, and `thresholds`: what could be heard in each piece; None if
    not asked for, or if the rate is too low. `metrics`: by name, with `bands_hz`; `left_out`: metrics that the capture
    cannot carry, with the reason. Windows contain neither the first `settling_s` of a piece nor what `moving` leaves
    out (None: nothing); a piece ends at either. `course`: what the box felt of the driving.

    From the bench, for the values in `whole`: `noise`: the share of the sensor's own noise, or of the idling engine.
    `uncertainty`: half of the 95 % interval due to the scale, in the metric's unit (the data sheet's tolerance without
    a calibration; a ratio has none). `beyond`: metrics that reach beyond what the mounting carries, with the reason.
    `bench`: the records used. Vehicle axes = `to_vehicle` (3, 3) @ (reading − offset), calibration included.
    """

    columns: Columns
    whole: dict[str, float]
    kept: Windows
    knocks: tuple[Knock, ...] | None
    thresholds: tuple[Thresholds, ...] | None
    metrics: dict[str, Metric]
    bands_hz: dict[str, Band]
    left_out: dict[str, str]
    noise: dict[str, Share]
    uncertainty: dict[str, float]
    beyond: dict[str, str]
    bench: BenchSummary
    to_vehicle: Array
    rate_hz: float
    window_s: float
    settling_s: float
    course: DriveCourse
    moving: Moving | None

    @property
    def windows(self) -> pd.DataFrame:
        """The columns as a table, one row per window."""
        return pd.DataFrame(self.columns)

    @property
    def n_windows(self) -> int:
        """Number of windows."""
        return self.columns["start_s"].size

    @property
    def analysed_s(self) -> float:
        """Time covered by all windows, in seconds."""
        return self.n_windows * self.window_s


def analyse_capture(
    capture: Capture,
    *,
    window_s: float = 1.0,
    jerk_edge_hz: float = EDGE_HZ,
    metrics: Sequence[str] | None = None,
    mounting: str | None = None,
    bench: BenchRecords | None = None,
    knocks: bool = False,
    whole: bool = False,
    clipped_s: Sequence[float] = (),
) -> Analysis:
    """Filter a capture piece by piece; reduce it to windows of `window_s` and to values of the complete drive.

    `metrics`: names from METRICS (all of them by default) and THIRDS. `mounting` (see `capture.mounting`) overrides the
    one in the capture's conditions. `bench`: the records that apply (see `carried.records_for`); a calibration corrects
    every reading before it is turned into vehicle axes. Windows do not overlap, never span a gap and start when all
    filters have settled. Standing, pulling away, what marks cut off and windows around `clipped_s` (times of clipped
    samples) are left out unless `whole`. The capture is read once, for `knocks` too; memory grows only by the windows.
    Raises CallError for an option out of range, AnalysisError for an unusable mounting or calibration, and if all
    pieces are too short or the vehicle never moves.
    """
    if not WINDOW_S[0] <= window_s <= WINDOW_S[1]:
        raise CallError(f"a window of {window_s:g} s is out of range: give {WINDOW_S[0]:g} to {WINDOW_S[1]:g} s")
    bank = _bank(capture, _named(metrics), jerk_edge_hz)
    if not bank.metrics:
        raise AnalysisError(f"no metric is left: {next(iter(bank.left_out.values()))}")
    bench = bench or no_records(capture)
    rotation = rotation_to_vehicle(capture, mounting, bench)
    motion = VehicleMotion(capture, rotation, bench.correction[1])
    window_rows = max(1, round(window_s * capture.rate_hz))
    window_s, settling_s = window_rows / capture.rate_hz, bank.settled_row / capture.rate_hz
    listen = knocks and CARRIED * capture.rate_hz >= LEAST_TOP_HZ
    with one_thread():
        places, kept, heard, course = _read(motion, bank, window_rows, listen)
    drive = None if whole else moving(capture, course, clipped_s)
    standing_power = None
    if drive is not None:
        standing_power = _standing_power(places, kept, drive, window_s, settling_s)
        places, chosen = _driven(places, drive, window_s)
        kept = kept.take(chosen)

    values = {name: metric.of_all(kept.kept[name]) for name, metric in bank.metrics.items()}
    bands_hz = {name: metric.band_hz(bank.settings) for name, metric in bank.metrics.items()}
    scale_errors = dict(zip(ACCELERATIONS, bench.scale_uncertainty(rotation), strict=True)) if bench.scale_known else {}
    return Analysis(
        columns=windows_of(places, bank.metrics, kept.kept, 1),
        whole=values,
        kept=kept,
        knocks=heard[0] if heard else None,
        thresholds=heard[1] if heard else None,
        metrics=bank.metrics,
        bands_hz=bands_hz,
        left_out=bank.left_out,
        noise=noise_share(
            bank.metrics,
            kept.mean_power(),
            bench.noise_record,
            motion.to_vehicle,
            bank.settings,
            bench.idle.record,
            standing_power,
        ),
        uncertainty={
            name: max(float(scale_errors[axis] * abs(values[name])) for axis in metric.axes)
            for name, metric in bank.metrics.items()
            if metric.unit != "1" and scale_errors.keys() >= set(metric.axes)
        },
        beyond=beyond_mounting(bands_hz, bench.tap.record),
        bench=bench.summary(rotation),
        to_vehicle=motion.to_vehicle,
        rate_hz=capture.rate_hz,
        window_s=window_s,
        settling_s=settling_s,
        course=course,
        moving=drive,
    )


def _bank(capture: Capture, metrics: Mapping[str, Metric], jerk_edge_hz: float = EDGE_HZ) -> Bank:
    """The metrics' filters for a capture."""
    rate_hz = capture.odr_hz * round(capture.rate_hz / capture.odr_hz, 4)  # so that captures of a box share filters
    axes = AXES if "rotation" in capture.layout.quantities else ACCELERATIONS
    return Bank.of(metrics, MetricSettings(rate_hz, jerk_edge_hz), axes)


def _read(
    motion: VehicleMotion, bank: Bank, window_rows: int, listen: bool
) -> tuple[Columns, Windows, tuple[tuple[Knock, ...], tuple[Thresholds, ...]] | None, DriveCourse]:
    """Read a capture once: piece and start of every window, their kept values, knocks if `listen`, and the course.

    AnalysisError if there is no window.
    """
    pieces, rate_hz, start = motion.capture.pieces(), motion.capture.rate_hz, bank.settled_row
    windows, places = [], []
    knocks: list[Knock] = []
    thresholds: list[Thresholds] = []
    course = CourseReader(pieces, rate_hz, motion.rotates)
    for number, piece in _worth_reading(pieces, rate_hz):
        windowing = Windowing(bank, window_rows) if piece.n_rows >= start + window_rows else None
        finder = KnockFinder(rate_hz) if listen else None
        course.begin(piece)
        for block in motion.blocks(piece):
            course.take(block)
            if windowing:
                windowing.take(block if bank.rotates else block[:3])
            if finder:
                finder.take(block[:3])
        if finder:
            knocks += (knock.later(piece.start_time_s) for knock in finder.knocks())
            thresholds.append(finder.thresholds().later(piece.start_time_s))
        if windowing:
            windows.append(windowing.windows())
            places.append(_places(number, piece, rate_hz, start, window_rows, len(windows[-1])))
    if not any(windows_at["start_s"].size for windows_at in places):
        raise _too_short(pieces, rate_hz, start, window_rows)
    heard = (tuple(knocks), tuple(thresholds)) if listen else None
    return _joined(places), Windows.join(windows), heard, course.course()


@dataclass(frozen=True, eq=False)
class Outline:
    """The part of a capture that can be analysed, found without any metric; fields as in `Analysis`."""

    places: Columns
    moving: Moving
    settling_s: float


def outline(capture: Capture, window_s: float, clipped_s: Sequence[float] = ()) -> Outline:
    """The windows that `analyse_capture` finds, or a few more at the ends; raises the same errors."""
    settled = _bank(capture, METRICS | THIRDS).settled_row
    motion = VehicleMotion(capture, rotation_to_vehicle(capture), np.eye(3))
    pieces, rate_hz, rows = capture.pieces(), capture.rate_hz, max(1, round(window_s * capture.rate_hz))
    course = CourseReader(pieces, rate_hz, motion.rotates)
    worth_reading = _worth_reading(pieces, rate_hz)
    for _, piece in worth_reading:
        course.begin(piece)
        for block in motion.blocks(piece):
            course.take(block)
    drive = moving(capture, course.course(), clipped_s)
    places = [
        _places(number, piece, rate_hz, settled, rows, (piece.n_rows - settled) // rows)
        for number, piece in worth_reading
    ]
    if not any(windows_at["start_s"].size for windows_at in places):
        raise _too_short(pieces, rate_hz, settled, rows)
    return Outline(_driven(_joined(places), drive, rows / rate_hz)[0], drive, settled / rate_hz)


def _worth_reading(pieces: Sequence[Piece], rate_hz: float) -> list[tuple[int, Piece]]:
    """The numbered pieces that fill at least half a cell of the course; there may be 100,000 shorter ones."""
    return [(number, piece) for number, piece in enumerate(pieces) if piece.n_rows >= CELL_S / 2 * rate_hz]


def _places(number: int, piece: Piece, rate_hz: float, settled: int, window_rows: int, count: int) -> Columns:
    """Piece and start of the `count` windows of a piece; none if `count` is negative."""
    starts_s = piece.start_time_s + (settled + np.arange(count) * window_rows) / rate_hz
    return {"piece": np.full(starts_s.size, number), "start_s": starts_s}


def _joined(places: Sequence[Columns]) -> Columns:
    """The windows of several pieces in one table."""
    return {name: np.concatenate([windows_at[name] for windows_at in places]) for name in ("piece", "start_s")}


def _too_short(pieces: Sequence[Piece], rate_hz: float, settled: int, window_rows: int) -> AnalysisError:
    longest = max(piece.n_rows for piece in pieces) / rate_hz
    return AnalysisError(
        f"no stretch without gaps is long enough: the longest is {longest:.2f} s, and the filters need "
        f"{settled / rate_hz:.2f} s to settle before a window of {window_rows / rate_hz:.3g} s; record longer"
    )


def _driven(places: Columns, drive: Moving, window_s: float) -> tuple[Columns, NDArray[np.bool_]]:
    """Windows of the drive alone, in pieces that end where something is left out; and a mask of them among all.

    AnalysisError if there are none.
    """
    chosen = ~drive.is_left_out(places["start_s"], window_s)
    if not chosen.any():
        raise AnalysisError(
            f"no window of a drive is left: {in_words(drive)} of {len(drive.standing) * CELL_S:.0f} s are left "
            "out, and the filters need their time to settle; drive up to the start at speed, or keep all with --whole"
        )
    return {"piece": broken_up(places["piece"], chosen), "start_s": places["start_s"][chosen]}, chosen


def _standing_power(
    places: Columns, kept: Windows, drive: Moving, window_s: float, settling_s: float
) -> dict[Channel, float] | None:
    """Median over seconds of standing of each filtered signal's mean square; None with less than STAND_S.

    The filters first get time to forget the road, and the last second may already be rolling.
    """
    still = drive.stood_for(places["start_s"], window_s, settling_s)
    seconds = max(1, round(1 / window_s))
    if still.sum() * window_s < STAND_S:
        return None
    whole_s = kept.values[:, still][:, : still.sum() // seconds * seconds].reshape(len(kept.values), -1, seconds)
    return {signal: float(np.median(whole_s[row].mean(axis=1))) for signal, row in kept.power_rows.items()}


def broken_up(piece: NDArray[np.int64], chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Renumber pieces (n,) for the chosen windows: a piece ends wherever a window is left out."""
    broken = np.cumsum(np.diff(piece, prepend=0) + ~chosen)
    return np.unique(broken[chosen], return_inverse=True)[1]


def rows_of_pieces(piece: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """The rows of each piece of a table of windows, in order."""
    return np.split(np.arange(piece.size), np.flatnonzero(np.diff(piece)) + 1)


def stretches(capture: Capture, windows: Columns, window_s: float) -> Iterator[Piece]:
    """The rows of a capture that each piece of its windows covers, in order."""
    pieces = capture.pieces()
    for rows in rows_of_pieces(windows["piece"]):
        start_s, end_s = windows["start_s"][rows[[0, -1]]] + (0.0, window_s)
        piece = [piece for piece in pieces if piece.start_time_s <= start_s][-1]
        first, last = (round((at_s - piece.start_time_s) * capture.rate_hz) for at_s in (start_s, end_s))
        yield Piece(piece.first_row + first, min(last, piece.n_rows) - first, start_s)


def windows_of(places: Columns, metrics: Mapping[str, Metric], kept: Mapping[str, Single], count: int) -> Columns:
    """Values of windows that join `count` windows each, with piece and start of the first; never across pieces."""
    pieces = rows_of_pieces(places["piece"])
    firsts = np.concatenate([rows[: rows.size // count * count : count] for rows in pieces])
    columns = {name: places[name][firsts] for name in ("piece", "start_s")}
    for name, metric in metrics.items():
        columns[name] = np.concatenate([metric.of_windows(kept[name][:, rows], count) for rows in pieces])
    return columns


def _named(names: Sequence[str] | None) -> dict[str, Metric]:
    known = METRICS | THIRDS
    unknown = [name for name in names or () if name not in known]
    if unknown:
        raise CallError(f"there is no metric '{unknown[0]}': choose from {', '.join(known)}")
    return {name: known[name] for name in names} if names else METRICS


@dataclass(frozen=True, eq=False)
class VehicleMotion:
    """A capture's counts in vehicle axes: specific force = rotation @ correction @ reading.

    Offsets stay in: metrics and knocks do not hear constants.
    """

    capture: Capture
    rotation: Array
    correction: Array

    @property
    def rotates(self) -> bool:
        """Whether the capture has rotation too."""
        return "rotation" in self.capture.layout.quantities

    @property
    def to_vehicle(self) -> Array:
        """The matrix (3, 3) from a reading, less its offset, to vehicle axes."""
        return self.rotation @ self.correction

    def blocks(self, piece: Piece) -> Iterator[NDArray[np.float32]]:
        """A piece in order, (3, n) in m/s² or, with rotation in rad/s, (6, n), as `channels.AXES`."""
        turns = {"acceleration": self.to_vehicle * self.capture.scale_ms2}
        if self.rotates:
            turns["rotation"] = self.rotation * self.capture.scale_rads
        end = piece.first_row + piece.n_rows
        for start in range(piece.first_row, end, BLOCK_ROWS):
            stop = min(start + BLOCK_ROWS, end)
            block = np.empty((3 * len(turns), stop - start), np.float32)
            for rows, (name, turn) in zip(block.reshape(len(turns), 3, -1), turns.items(), strict=True):
                counts = self.capture.counts(name, start, stop).T.astype(np.float32)
                np.matmul(turn.astype(np.float32), counts, out=rows)
            yield block


def describe(analysis: Analysis) -> dict[str, dict[str, Any]]:
    """Everything known about each metric except its values, by name."""
    about: dict[str, dict[str, Any]] = {}
    for name, metric in analysis.metrics.items():
        axis = " ".join(metric.axes)
        about[name] = {"label": metric.label, "unit": metric.unit, "axis": axis, "band_hz": analysis.bands_hz[name]}
        about[name]["skirt"] = metric.channels[0].design.skirt
        if name in analysis.uncertainty:
            about[name] |= {"uncertainty": analysis.uncertainty[name]}
        if share := analysis.noise.get(name):
            about[name] |= {"noise_share": share.share, "judged": share.judged}
        if name in analysis.beyond:
            about[name] |= {"beyond_mounting": analysis.beyond[name]}
    return about
