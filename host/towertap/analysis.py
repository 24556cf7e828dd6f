"""From a capture to the values of its windows and of the whole, in vehicle axes: where signals meet files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from towertap.bench.carried import BenchRecords, BenchSummary, no_records
from towertap.bench.mounted import rotation_to_vehicle
from towertap.bench.sharing import Share, beyond_mounting, noise_share
from towertap.capture.reading import Capture, Piece
from towertap.errors import AnalysisError, CallError
from towertap.signals.channels import ACCELERATIONS, AXES, MetricSettings
from towertap.signals.filters import Array, Band
from towertap.signals.jerk import EDGE_HZ
from towertap.signals.knocks import Knock, KnockFinder, band_hz
from towertap.signals.metrics import METRICS, THIRDS, Metric
from towertap.signals.stream import Bank, Windows

WINDOW_S = (0.1, 60.0)
"""Shortest and longest window, in seconds."""


@dataclass(frozen=True, eq=False)
class Analysis:
    """What a capture comes to.

    `windows` has one row a window, the columns `piece` (from 0), `start_s` (from the capture's first sample) and one
    per metric; `whole` has each metric over all windows together; `kept` is what both are made of. `metrics` are those
    of both, by name, `bands_hz` their bands and `left_out` the metrics that the capture cannot carry, with the reason.
    The first `settling_s` of every piece are not in the windows.

    What the bench says of the whole values: `noise` the share of the sensor's own noise in each, `uncertainty` half
    of the 95 % interval that the scale makes of each in its unit (of the data sheet's tolerance where there is no
    calibration; a ratio has none), `beyond` the metrics that reach beyond what the mounting carries, with the reason,
    `bench` the records behind all this. Vehicle axes = `to_vehicle` (3, 3) @ (reading − offset), calibration included.
    """

    windows: pd.DataFrame
    whole: dict[str, float]
    kept: Windows
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

    @property
    def analysed_s(self) -> float:
        """Time that the windows cover together, in seconds."""
        return len(self.windows) * self.window_s

    def joined(self, count: int) -> pd.DataFrame:
        """The table of windows of `count` windows each, joined as each metric joins them; none reaches over a gap."""
        return _table(self.windows[["piece", "start_s"]], self.metrics, self.kept, count)


def analyse_capture(
    capture: Capture,
    *,
    window_s: float = 1.0,
    jerk_edge_hz: float = EDGE_HZ,
    metrics: Sequence[str] | None = None,
    mounting: str | None = None,
    bench: BenchRecords | None = None,
) -> Analysis:
    """Filter a capture piece by piece and reduce it to windows of `window_s` and to values of the whole.

    `metrics` are names of METRICS (all of these by default) and THIRDS; `mounting` (see `axes.parse_mounting`) stands
    in for the one of the capture's conditions, `bench` are the records that hold for it (see `carried.records_for`): a
    calibration corrects every reading before it is turned into vehicle axes. Windows do not overlap, never reach over
    a gap and start when every filter has settled. Memory does not grow with the capture but for its windows. Raises
    CallError for an option out of range, AnalysisError for an unusable mounting or calibration and for a capture of
    pieces all too short.
    """
    if not WINDOW_S[0] <= window_s <= WINDOW_S[1]:
        raise CallError(f"a window of {window_s:g} s is out of range: give {WINDOW_S[0]:g} to {WINDOW_S[1]:g} s")
    settings = MetricSettings(capture.rate_hz, jerk_edge_hz)
    bank = Bank.of(_named(metrics), settings, AXES if "rotation" in capture.file else ACCELERATIONS)
    if not bank.metrics:
        raise AnalysisError(f"no metric is left: {next(iter(bank.left_out.values()))}")
    bench = bench or no_records(capture)
    rotation = rotation_to_vehicle(capture, mounting, bench)
    offset_ms2, correction = bench.correction
    motion = VehicleMotion(capture, rotation, correction, offset_ms2, rotates=not bank.axes <= set(ACCELERATIONS))
    window_rows = max(1, round(window_s * capture.rate_hz))
    places, kept = _windows(motion, bank, window_rows)

    whole = {name: metric.of_all(kept.kept[name]) for name, metric in bank.metrics.items()}
    bands_hz = {name: metric.band_hz(settings) for name, metric in bank.metrics.items()}
    of_scale = dict(zip(ACCELERATIONS, bench.scale_uncertainty(rotation), strict=True)) if bench.scale_known else {}
    return Analysis(
        windows=_table(places, bank.metrics, kept, 1),
        whole=whole,
        kept=kept,
        metrics=bank.metrics,
        bands_hz=bands_hz,
        left_out=bank.left_out,
        noise=noise_share(
            bank.metrics, kept.mean_power(), bench.noise_record(jerk_edge_hz), motion.to_vehicle, settings
        ),
        uncertainty={
            name: max(float(of_scale[axis] * whole[name]) for axis in metric.axes)
            for name, metric in bank.metrics.items()
            if metric.unit != "1" and of_scale.keys() >= set(metric.axes)
        },
        beyond=beyond_mounting(bands_hz, bench.tap.record),
        bench=bench.summary(rotation),
        to_vehicle=motion.to_vehicle,
        rate_hz=capture.rate_hz,
        window_s=window_rows / capture.rate_hz,
        settling_s=bank.settled_row / capture.rate_hz,
    )


def _windows(motion: VehicleMotion, bank: Bank, window_rows: int) -> tuple[pd.DataFrame, Windows]:
    """Piece and start of every window of a capture, and what is kept of them; AnalysisError where there is none."""
    pieces, rate_hz, start = motion.capture.pieces(), bank.settings.rate_hz, bank.settled_row
    windows, places = [], []
    for number, piece in enumerate(pieces):
        if piece.n_rows < start + window_rows:
            continue
        windows.append(bank.windows(motion.blocks(piece), window_rows))
        starts_s = piece.start_time_s + (start + np.arange(len(windows[-1])) * window_rows) / rate_hz
        places.append(pd.DataFrame({"piece": number, "start_s": starts_s}))
    if not sum(map(len, places)):
        longest = max(piece.n_rows for piece in pieces) / rate_hz
        raise AnalysisError(
            f"no stretch without gaps is long enough: the longest is {longest:.2f} s, and the filters need "
            f"{start / rate_hz:.2f} s to settle before a window of {window_rows / rate_hz:.3g} s; record longer"
        )
    return pd.concat(places, ignore_index=True), Windows.join(windows)


def _table(places: pd.DataFrame, metrics: Mapping[str, Metric], kept: Windows, count: int) -> pd.DataFrame:
    """The values of windows of `count` windows each, beside the piece and the start of the first; within pieces."""
    tables = []
    for rows in places.groupby("piece").indices.values():
        firsts = rows[: len(rows) // count * count : count]
        values = {name: metric.of_windows(kept.kept[name][:, rows], count) for name, metric in metrics.items()}
        tables.append(places.iloc[firsts].reset_index(drop=True).assign(**values))
    return pd.concat(tables, ignore_index=True)


def _named(names: Sequence[str] | None) -> dict[str, Metric]:
    known = METRICS | THIRDS
    unknown = [name for name in names or () if name not in known]
    if unknown:
        raise CallError(f"there is no metric '{unknown[0]}': choose from {', '.join(known)}")
    return {name: known[name] for name in names} if names else METRICS


@dataclass(frozen=True, eq=False)
class VehicleMotion:
    """A capture's readings turned into vehicle axes: specific force = rotation @ correction @ (reading − offset)."""

    capture: Capture
    rotation: Array
    correction: Array
    offset_ms2: Array
    rotates: bool
    """Whether the rotation is wanted as well."""

    @property
    def to_vehicle(self) -> Array:
        """The matrix (3, 3) from a corrected reading to vehicle axes."""
        return self.rotation @ self.correction

    def blocks(self, piece: Piece) -> Iterator[Array]:
        """A piece in order, (3, n) in m/s² or, with rotation in rad/s, (6, n), as `channels.AXES`."""
        row = piece.first_row
        for block in self.capture.blocks(piece):
            force = self.to_vehicle @ (block - self.offset_ms2).T
            if self.rotates:
                turning = self.capture.counts("rotation", row, row + len(block)) * self.capture.scale_rads
                force = np.concatenate([force, self.rotation @ turning.T])
            yield force
            row += len(block)


def capture_knocks(capture: Capture, to_vehicle: Array) -> tuple[Knock, ...] | None:
    """The knocks of a capture, times from its first sample, block by block; None where the rate is too low to listen.

    An offset of the readings does not pass the band and need not be known.
    """
    try:
        band_hz(capture.rate_hz)
    except AnalysisError:
        return None
    knocks: list[Knock] = []
    for piece in capture.pieces():
        finder = KnockFinder(capture.rate_hz)
        for block in capture.blocks(piece):
            finder.take(to_vehicle @ block.T)
        knocks += (knock.later(piece.start_time_s) for knock in finder.knocks())
    return tuple(knocks)


def describe(analysis: Analysis) -> dict[str, dict[str, Any]]:
    """What there is to say of each metric beside its values, by name; what is not known is not there."""
    about: dict[str, dict[str, Any]] = {}
    for name, metric in analysis.metrics.items():
        axis = " ".join(metric.axes)
        about[name] = {"label": metric.label, "unit": metric.unit, "axis": axis, "band_hz": analysis.bands_hz[name]}
        if name in analysis.uncertainty:
            about[name] |= {"uncertainty": analysis.uncertainty[name]}
        if share := analysis.noise.get(name):
            about[name] |= {"noise_share": share.share, "judged": share.judged}
        if name in analysis.beyond:
            about[name] |= {"beyond_mounting": analysis.beyond[name]}
    return about
