"""From a capture to the figures of its windows and of the whole, in vehicle axes: where signals meet files."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd

from towertap.bench.carried import Carried, Told, no_records
from towertap.bench.sharing import Share
from towertap.capture.reading import Capture, Piece
from towertap.doors.whole_file import whole_file
from towertap.errors import AnalysisError, CallError
from towertap.signals.axes import EXAMPLE, parse_mounting
from towertap.signals.filters import Array, Band
from towertap.signals.jerk import EDGE_HZ
from towertap.signals.knocks import Knock, band_hz, find_knocks
from towertap.signals.metrics import METRICS, THIRDS, Metric, Settings
from towertap.signals.stream import Channel, Windows, piece_windows, settled_row

WINDOW_S = (0.1, 60.0)
"""Shortest and longest window, in seconds."""

REST_S = 30.0
"""Where gravity is looked for when the mounting asks for it: in the quietest second of so much of the start."""

AT_REST_MS2 = 0.3
"""Largest standard deviation of any axis that still passes for standing still (an idling engine shakes less)."""

CSV_START = b"# towertap windows\n"
"""By which a table of windows is told from any other .csv."""

GRAVITY_MS2 = (9.3, 10.3)
"""What the mean specific force at rest must be: gravity, with a chip's offset and scale error."""


@dataclass(frozen=True, eq=False)
class Analysis:
    """What a capture comes to.

    `windows` has one row a window, the columns `piece` (from 0), `start_s` (from the capture's first sample) and one
    per metric; `whole` has each metric over all windows together. `metrics` are those of both, by name, `bands_hz`
    their bands and `left_out` the metrics that the rate cannot carry, with the reason. The first `settling_s` of every
    piece are not in the windows.

    What the bench says of the whole figures: `noise` the share of the sensor's own noise in each, `uncertainty` half
    of the 95 % interval that the scale makes of each in its unit (of the data sheet's tolerance where there is no
    calibration; a ratio has none), `beyond` the metrics that reach beyond what the mounting carries, with the reason,
    `bench` the records behind all this. Vehicle axes = `to_vehicle` (3, 3) @ (reading − offset), calibration included.
    """

    windows: pd.DataFrame
    whole: dict[str, float]
    metrics: dict[str, Metric]
    bands_hz: dict[str, Band]
    left_out: dict[str, str]
    noise: dict[str, Share]
    uncertainty: dict[str, float]
    beyond: dict[str, str]
    bench: Told
    to_vehicle: Array
    rate_hz: float
    window_s: float
    settling_s: float

    @property
    def analysed_s(self) -> float:
        """Time that the windows cover together, in seconds."""
        return len(self.windows) * self.window_s


def analyse_capture(
    capture: Capture,
    *,
    window_s: float = 1.0,
    jerk_edge_hz: float = EDGE_HZ,
    metrics: Sequence[str] | None = None,
    mounting: str | None = None,
    bench: Carried | None = None,
) -> Analysis:
    """Filter a capture piece by piece and reduce it to windows of `window_s` and to whole figures.

    `metrics` are names of METRICS (all of these by default) and THIRDS; `mounting` (see `axes.parse_mounting`) stands
    in for the one of the capture's conditions, `bench` are the records that hold for it (see `carried.records_for`): a
    calibration corrects every reading before it is turned into vehicle axes. Windows do not overlap, never reach over
    a gap and start when every filter has settled. Memory does not grow with the capture but for its windows. Raises
    CallError for an option out of range, AnalysisError for an unusable mounting or calibration and for a capture of
    pieces all too short.
    """
    if not WINDOW_S[0] <= window_s <= WINDOW_S[1]:
        raise CallError(f"a window of {window_s:g} s is out of range: give {WINDOW_S[0]:g} to {WINDOW_S[1]:g} s")
    settings = Settings(capture.rate_hz, jerk_edge_hz)
    chosen, channel_of, left_out = _channels(_named(metrics), settings)
    channels = list(dict.fromkeys(channel_of.values()))
    window_rows = max(1, round(window_s * capture.rate_hz))
    start = settled_row(channels)
    bench = bench or no_records(capture)
    rotation = rotation_to_vehicle(capture, mounting, bench)
    offset_ms2, correction = bench.correction
    to_vehicle = rotation @ correction

    pieces = capture.pieces()
    found = {
        i: piece_windows(
            _vehicle_blocks(capture, piece, to_vehicle, offset_ms2), channels, capture.rate_hz, window_rows
        )
        for i, piece in enumerate(pieces)
        if piece.n_rows >= start + window_rows
    }
    counts = {i: len(of_channels[0]) for i, of_channels in found.items()}
    if not sum(counts.values()):
        longest = max(piece.n_rows for piece in pieces) / capture.rate_hz
        raise AnalysisError(
            f"no stretch without gaps is long enough: the longest is {longest:.2f} s, and the filters need "
            f"{start / capture.rate_hz:.2f} s to settle before a window of {window_s:g} s; record longer"
        )
    joined = {channel: Windows.join([one[i] for one in found.values()]) for i, channel in enumerate(channels)}
    places = {
        "piece": np.repeat(list(counts), list(counts.values())),
        "start_s": np.concatenate(
            [
                pieces[i].start_time_s + (start + np.arange(count) * window_rows) / capture.rate_hz
                for i, count in counts.items()
            ]
        ),
    }
    whole = {name: float(one.figure(joined[channel_of[name]].whole())[0]) for name, one in chosen.items()}
    bands_hz = {name: one.band_hz(settings) for name, one in chosen.items()}
    of_scale = dict(zip("xyz", bench.scale_uncertainty(rotation), strict=True))
    return Analysis(
        windows=pd.DataFrame(
            places | {name: one.figure(joined[channel_of[name]]) for name, one in chosen.items()},
        ),
        whole=whole,
        metrics=chosen,
        bands_hz=bands_hz,
        left_out=left_out,
        noise=bench.noise_share(whole, to_vehicle, settings),
        uncertainty={name: float(of_scale[one.axis] * whole[name]) for name, one in chosen.items() if one.unit != "1"},
        beyond=bench.beyond_mounting(bands_hz),
        bench=bench.told(rotation),
        to_vehicle=to_vehicle,
        rate_hz=capture.rate_hz,
        window_s=window_rows / capture.rate_hz,
        settling_s=start / capture.rate_hz,
    )


def rotation_to_vehicle(capture: Capture, mounting: str | None = None, bench: Carried | None = None) -> Array:
    """The rotation R (3, 3), vehicle = R @ chip, by `mounting` or else by the capture's conditions.

    Where gravity shows it, the readings are corrected by the calibration in `bench`. Raises AnalysisError when neither
    gives a usable mounting.
    """
    text = mounting or capture.conditions.mounting
    if not text.strip():
        raise AnalysisError(f"{capture.path}: does not say how the box was mounted: give --mounting {EXAMPLE}")
    try:
        return parse_mounting(text, lambda: _gravity_at_rest(capture, bench or no_records(capture)))
    except AnalysisError as error:
        if mounting:
            raise
        raw = shlex.quote(str(capture.path.with_name(capture.text("raw_name"))))
        mend = f"'towertap decode {raw} --mounting {EXAMPLE}', with the true axes, mends the capture"
        raise AnalysisError(f"{capture.path}: {error}; {mend}") from None


def table_saver(path: Path) -> Callable[[Analysis, Path], None]:
    """What writes the windows of an analysis as the suffix of `path` says: .csv with `#` lines, .h5 with attributes.

    It writes the whole table or nothing. Raises CallError for another suffix, for a folder that is not there, and
    where `path` is there already but no table.
    """
    try:
        save = SAVERS[path.suffix.lower()]
    except KeyError:
        raise CallError(f"{path}: no table is written as '{path.suffix}': give {' or '.join(SAVERS)}") from None
    if not path.parent.is_dir():
        raise CallError(f"{path}: no folder '{path.parent}'; make it first, or give another --out")
    if path.exists() and not _is_table(path):
        raise CallError(f"{path}: there already, and no table of windows: not replaced; give another --out")

    def save_whole(analysis: Analysis, path: Path) -> None:
        with whole_file(path) as part:
            save(analysis, part)

    return save_whole


def _is_table(path: Path) -> bool:
    """Whether one of the savers wrote it, told by what they begin with."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        if file.read(len(CSV_START)) == CSV_START:
            return True
    try:
        with h5py.File(path) as held:
            return set(held) == {"windows", "whole"}
    except (OSError, RuntimeError):
        return False


def _named(names: Sequence[str] | None) -> dict[str, Metric]:
    known = METRICS | THIRDS
    unknown = [name for name in names or () if name not in known]
    if unknown:
        raise CallError(f"there is no metric '{unknown[0]}': choose from {', '.join(known)}")
    return {name: known[name] for name in names} if names else METRICS


def _channels(
    metrics: dict[str, Metric], settings: Settings
) -> tuple[dict[str, Metric], dict[str, Channel], dict[str, str]]:
    """The metrics that the rate carries, the channel of each (axis and filter are shared), the reasons of the rest."""
    carried: dict[str, Metric] = {}
    key_of: dict[str, tuple] = {}
    left_out: dict[str, str] = {}
    made: dict[tuple, Channel] = {}
    for name, metric in metrics.items():
        band_hz = metric.band_hz(settings)
        key = (metric.axis, metric.make_filter, band_hz)
        try:
            if key not in made:
                made[key] = Channel("xyz".index(metric.axis), metric.make_filter(band_hz, settings.rate_hz))
        except AnalysisError as reason:
            left_out[name] = str(reason)
        else:
            carried[name], key_of[name] = metric, key
            made[key] = replace(made[key], running=made[key].running or metric.running)
    if not carried:
        raise AnalysisError(f"no metric is left at this rate: {next(iter(left_out.values()))}")
    return carried, {name: made[key] for name, key in key_of.items()}, left_out


def _vehicle_blocks(capture: Capture, piece: Piece, to_vehicle: Array, offset_ms2: Array) -> Iterator[Array]:
    """Specific force of a piece in vehicle axes, (3, n) in m/s², block by block: to_vehicle @ (reading − offset)."""
    for block in capture.blocks(piece):
        yield to_vehicle @ (block - offset_ms2).T


def capture_knocks(capture: Capture, to_vehicle: Array) -> tuple[Knock, ...] | None:
    """The knocks of a capture, times from its first sample, block by block; None where the rate is too low to listen.

    An offset of the readings does not pass the band and need not be known.
    """
    try:
        band_hz(capture.rate_hz)
    except AnalysisError:
        return None
    return tuple(
        knock.later(piece.start_time_s)
        for piece in capture.pieces()
        for knock in find_knocks(_vehicle_blocks(capture, piece, to_vehicle, np.zeros(3)), capture.rate_hz).knocks
    )


def _gravity_at_rest(capture: Capture, bench: Carried) -> Array:
    """Mean specific force (3,), chip axes, m/s², over the quietest second of the first REST_S of the capture."""
    piece, second = capture.pieces()[0], round(capture.rate_hz)
    start = Piece(piece.first_row, min(piece.n_rows, math.ceil(REST_S * capture.rate_hz)), piece.start_time_s)
    quietest, gravity = math.inf, np.zeros(3)
    offset_ms2, correction = bench.correction
    for block in capture.blocks(start, second):
        spread = float(block.std(axis=0).max())
        if len(block) == second and spread < quietest:
            quietest, gravity = spread, correction @ (block.mean(axis=0) - offset_ms2)
    if quietest > AT_REST_MS2 or not GRAVITY_MS2[0] <= np.linalg.norm(gravity) <= GRAVITY_MS2[1]:
        raise AnalysisError(
            f"the box was not at rest for a second in its first {REST_S:g} s, so gravity does not show its axes: "
            f"give --mounting {EXAMPLE}"
        )
    return gravity


def describe(analysis: Analysis) -> dict[str, dict[str, Any]]:
    """What there is to say of each metric beside its values, by name; what is not known is not there."""
    about: dict[str, dict[str, Any]] = {}
    for name, one in analysis.metrics.items():
        about[name] = {"label": one.label, "unit": one.unit, "axis": one.axis, "band_hz": analysis.bands_hz[name]}
        if name in analysis.uncertainty:
            about[name] |= {"uncertainty": analysis.uncertainty[name]}
        if share := analysis.noise.get(name):
            about[name] |= {"noise_share": share.share, "judged": share.judged}
        if name in analysis.beyond:
            about[name] |= {"beyond_mounting": analysis.beyond[name]}
    return about


def _save_csv(analysis: Analysis, path: Path) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(CSV_START.decode())
        for name, about in describe(analysis).items():
            low, high = analysis.bands_hz[name]
            noise = f"; noise {100 * about['noise_share']:.1f} %, {about['judged']}" if "judged" in about else ""
            beyond = "; beyond the mounting" if "beyond_mounting" in about else ""
            file.write(f"# {name}: {about['label']}, {about['unit']}, {low:g} to {high:g} Hz{noise}{beyond}\n")
        analysis.windows.to_csv(file, index=False, float_format="%.7g", lineterminator="\n")


def _save_hdf5(analysis: Analysis, path: Path) -> None:
    with h5py.File(path, "w") as file:
        file.attrs.update(rate_hz=analysis.rate_hz, window_s=analysis.window_s, settling_s=analysis.settling_s)
        about = describe(analysis)
        for name, column in analysis.windows.items():
            dataset = file.create_dataset(f"windows/{name}", data=column.to_numpy())
            dataset.attrs.update(about.get(name, {}))
        for name, value in analysis.whole.items():
            file.create_dataset(f"whole/{name}", data=value).attrs.update(about[name])


SAVERS: dict[str, Callable[[Analysis, Path], None]] = {".csv": _save_csv, ".h5": _save_hdf5}
"""Suffix → how the table of windows is written."""
