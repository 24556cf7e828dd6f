"""What was driven, as plain data: passes with everything read from their captures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from towertap.analysis import Analysis, Columns, broken_up, rows_of_pieces
from towertap.archive.record import CAPTURE
from towertap.bench.carried import BenchSummary
from towertap.bench.sharing import Share
from towertap.capture.conditions import Conditions
from towertap.capture.integrity import Integrity
from towertap.capture.reading import Capture
from towertap.capture.speed_log import SpeedLog
from towertap.motion import CELL_S, Moving
from towertap.signals.metrics import METRICS, THIRDS, Metric

Side = Literal["before", "after"]
SIDES: tuple[Side, Side] = ("before", "after")
CELLS_A_WINDOW = 10
"""Cells of CELL_S, by which passes are aligned and cut into places, in a window of 1 s."""


def name_of(capture: Path) -> str:
    """A capture's file name without suffix; in an archive, where all share one name, its recording's."""
    return capture.parent.name if capture.name == CAPTURE else capture.stem


def metric_of(name: str) -> Metric:
    """A metric of a window table by its column."""
    return METRICS.get(name) or THIRDS[name]


@dataclass(frozen=True)
class Source:
    """Where a pass comes from: the chip and firmware that made it, and the SHA-256 of its capture and raw recording."""

    chip: str
    firmware: str
    capture_sha256: str
    raw_sha256: str
    from_box: bool = True
    """Otherwise another recorder made it, and much of it cannot be checked."""
    anti_alias_hz: float | None = None
    """The sensor's anti-alias filter; None if not known."""


@dataclass(frozen=True, eq=False)
class Pass:
    """One drive over one road with one part fitted: the unit of every inference.

    `cells` holds piece and start of windows of a tenth of a second, by which passes are aligned and cut into places.
    `kept` is what each metric keeps of them, (kept, cells), to join them into longer stretches. `path` is their
    capture. `noise`, `beyond`, `bench` and `to_vehicle` come from the bench records, as in an analysis. `started` is
    when the recording began (None: unknown), `forward_ms2` the mean forward acceleration in cells from the capture's
    start, NaN in gaps. `measured` is what each section of the comparison took from the open capture, by section name.
    `speed` is the speed driven, by time from the capture's start (None: no log covers the pass). `moving` says what of
    the capture is left out as no drive over the road (None: nothing may be).
    """

    path: Path
    side: Side
    conditions: Conditions
    integrity: Integrity
    cells: Columns
    kept: Mapping[str, NDArray[np.float32]]
    noise: dict[str, Share] = field(default_factory=dict)
    beyond: dict[str, str] = field(default_factory=dict)
    bench: BenchSummary | None = None
    to_vehicle: NDArray[np.float64] = field(default_factory=lambda: np.eye(3))
    started: datetime | None = None
    source: Source | None = None
    forward_ms2: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    measured: Mapping[str, Any] = field(default_factory=dict)
    speed: SpeedLog | None = None
    moving: Moving | None = None
    touched: bool = False
    """Clipped or overflowed, and used without the windows affected."""
    left_out: Mapping[str, str] = field(default_factory=dict)
    """The metrics that its rate cannot carry, with the reason."""

    @property
    def from_box(self) -> bool:
        """Whether a box made it, rather than another recorder."""
        return self.source is None or self.source.from_box

    @property
    def name(self) -> str:
        return name_of(self.path)

    @property
    def n_cells(self) -> int:
        return self.cells["start_s"].size

    @property
    def n_windows(self) -> int:
        """Number of windows of 1 s."""
        return int(self._in_windows.sum()) // CELLS_A_WINDOW

    def windows(self, metric: str) -> NDArray[np.float64]:
        """The values of a metric in windows of 1 s (n,), in its unit; no window spans a gap."""
        return metric_of(metric).of_windows(self.kept[metric][:, self._in_windows], CELLS_A_WINDOW)

    def over_windows(self, metric: str) -> float:
        """One value of a metric over all windows of 1 s together; NaN without any."""
        in_windows = self.kept[metric][:, self._in_windows]
        return metric_of(metric).of_all(in_windows) if in_windows.size else float("nan")

    @cached_property
    def _in_windows(self) -> NDArray[np.bool_]:
        """The cells (n,) that make up full windows of 1 s."""
        used = np.zeros(self.n_cells, bool)
        for rows in rows_of_pieces(self.cells["piece"]):
            used[rows[: rows.size // CELLS_A_WINDOW * CELLS_A_WINDOW]] = True
        return used

    def driving_s(self, time_s: NDArray[np.floating]) -> NDArray[np.float64]:
        """Times (n,) from the capture's start, less the time that the vehicle stood."""
        return np.asarray(time_s, float) if self.moving is None else self.moving.driving_s(time_s)

    def logged(self, log: SpeedLog) -> Pass:
        """The same pass with its speed log, less what that shows to be no drive over the road."""
        drive = replace(self, speed=log)
        return drive if self.moving is None else drive.cut(self.moving.with_log(log))

    def cut(self, moving: Moving) -> Pass:
        """The same pass without the cells that are no drive over the road; unchanged if that would leave none."""
        chosen = ~moving.is_left_out(self.cells["start_s"], CELL_S)
        if chosen.all() or not chosen.any():
            return self
        cells = {name: column[chosen] for name, column in self.cells.items()}
        cells["piece"] = broken_up(self.cells["piece"], chosen)
        kept = {name: values[:, chosen] for name, values in self.kept.items()}
        return replace(self, cells=cells, kept=kept, moving=moving)

    @property
    def road(self) -> str:
        return self.conditions.road


@dataclass(frozen=True, eq=False)
class Reading:
    """An open capture with its analysis in cells, and piece and start of its windows of 1 s.

    `inputs` are captures of the same pass by a box on the part's input side (None: not requested). `include_unsound`
    and `bench` are the user's choices for the comparison.
    """

    capture: Capture
    analysis: Analysis
    windows: Columns
    inputs: tuple[Path, ...] | None = None
    include_unsound: bool = False
    bench: Path | None = None


@dataclass(frozen=True)
class Excluded:
    """A capture left out of the comparison, by file name without suffix, with the reason in one line.

    `after_values`: it was struck out by somebody who had seen its values.
    """

    capture: str
    reason: str
    after_values: bool = False


@dataclass(frozen=True, eq=False)
class Drives:
    """All passes that a comparison rests on; `before` and `after` name the parts, `smooth` the reference road."""

    folder: Path
    before: str
    after: str
    smooth: str
    metrics: tuple[Metric, ...]
    passes: tuple[Pass, ...]
    excluded: tuple[Excluded, ...] = ()
    remarks: tuple[str, ...] = ()
    """What differs between passes other than the part, and what could not be done."""
    clipped_out: tuple[tuple[str, Side], ...] = ()
    """Road and side of each pass left out because too much of it is clipped."""
    input_position: str | None = None

    @property
    def parts(self) -> tuple[str, str]:
        return self.before, self.after

    @property
    def rough_roads(self) -> tuple[str, ...]:
        """Every road except the smooth one, in alphabetical order."""
        return tuple(sorted({drive.road for drive in self.passes} - {self.smooth}))

    def of(self, road: str, side: Side | None = None) -> tuple[Pass, ...]:
        """The passes over one road, of one side or of both, in driving order (pass number, then name)."""
        chosen = [drive for drive in self.passes if drive.road == road and side in (None, drive.side)]
        return tuple(
            sorted(chosen, key=lambda drive: (drive.side == "after", drive.conditions.pass_number or 0, drive.name))
        )
