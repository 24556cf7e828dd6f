"""A capture's samples as columns with names, units and true times: what every way out writes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np

from towertap.bench.carried import records_for
from towertap.bench.mounted import rotation_to_vehicle
from towertap.capture.host_time import started, utc
from towertap.capture.reading import Capture, Piece
from towertap.errors import CallError
from towertap.signals.filters import Array
from towertap.version import WRITTEN_BY
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

Axes = Literal["vehicle", "chip", "counts"]
Units = Literal["si", "g"]

FORMAT = "towertap samples"
"""By which a file of ours is known again."""
BLOCK_ROWS = 16384
MOST_PIECES = 1000
"""Each may be a file of its own."""
MOST_GAPS = 1000
"""Gaps told in the metadata; all are in the samples."""

UNITS: dict[Units, dict[str, tuple[str, str, float]]] = {
    "si": {"acceleration": ("m/s²", "ms2", 1.0), "rotation": ("rad/s", "rads", 1.0)},
    "g": {"acceleration": ("g", "g", STANDARD_GRAVITY_MS2), "rotation": ("°/s", "dps", math.radians(1))},
}
"""Quantity → unit, how it ends a column's name, and what it is in m/s² or rad/s."""
IN_WORDS = {
    "vehicle": "vehicle axes after ISO 8855: x forward, y left, z up; at rest +g on z",
    "chip": "chip axes, no calibration",
    "counts": "counts of the chip in chip axes",
}


@dataclass(frozen=True)
class Column:
    """One axis of one quantity."""

    quantity: str
    axis: str
    unit: str
    name: str
    """Quantity, axis and unit in letters that every format takes: `acceleration_z_ms2`."""


class Samples:
    """The samples of an open capture in the axes and units asked for, block by block.

    `vehicle` axes are corrected by the bench's calibration where one holds; `chip` axes and `counts` are as read.
    Values are float64 throughout, so that NaN can say that there was no reading; counts are exact in it.
    """

    def __init__(
        self,
        capture: Capture,
        axes: Axes = "vehicle",
        units: Units = "si",
        *,
        mounting: str | None = None,
        bench: Path | None = None,
        on_progress: Callable[[int, int], None] = lambda done, total: None,
    ) -> None:
        """`mounting` and `bench` as in an analysis; `on_progress` is called with samples given out and in all."""
        self.capture, self.axes, self._on_progress = capture, axes, on_progress
        self.pieces = capture.pieces()
        self.rate_hz = capture.rate_hz
        quantities = list(capture.layout.quantities)
        units_of = dict.fromkeys(quantities, ("counts", "counts", 1.0)) if axes == "counts" else UNITS[units]
        self.columns = tuple(
            Column(name, axis, units_of[name][0], f"{name}_{axis}_{units_of[name][1]}")
            for name in quantities
            for axis in "xyz"
        )
        self._unit_si = {name: units_of[name][2] for name in quantities}
        self._turned = {name: np.eye(3) for name in quantities}
        self._offset_ms2, self._calibration = np.zeros(3), "none applied"
        if axes == "vehicle":
            records = records_for(capture, bench)
            rotation = rotation_to_vehicle(capture, mounting, records)
            self._offset_ms2, correction = records.correction
            self._turned = dict.fromkeys(quantities, rotation) | {"acceleration": rotation @ correction}
            self._calibration = records.calibration.words

    @property
    def n_rows(self) -> int:
        """Rows that `blocks` gives in all: every sample, and one for each gap between samples."""
        return sum(piece.n_rows for piece in self.pieces) + len(self.pieces) - 1

    def cut(self, most_rows: int) -> list[Samples]:
        """The same without gaps: a part for each piece between gaps, and more where one has over `most_rows`.

        CallError where there are more than MOST_PIECES.
        """
        if len(self.pieces) > MOST_PIECES:
            raise CallError(f"{len(self.pieces)} pieces between gaps are too many files: a .csv holds gaps as well")
        parts = []
        for piece in self.pieces:
            for row in range(0, piece.n_rows, most_rows):
                part = copy(self)
                start_s = piece.start_time_s + row / self.rate_hz
                part.pieces = [Piece(piece.first_row + row, min(most_rows, piece.n_rows - row), start_s)]
                part.metadata = self.metadata | {"starts_at_s": start_s, "samples": part.pieces[0].n_rows}
                parts.append(part)
        return parts

    def full_scale(self, quantity: str) -> float:
        """The end of the chip's range in the columns' unit."""
        highest = self.capture.layout.quantities[quantity].full_scale
        return highest * (1.0 if self.axes == "counts" else self.capture.scales[quantity] / self._unit_si[quantity])

    def blocks(self) -> Iterator[tuple[Array, Array]]:
        """Times (n,) in s from the first sample, and values (n, columns), all rows in order.

        A gap is one row of NaN, half a period after the last sample before it.
        """
        for number, piece in enumerate(self.pieces):
            if number:
                before = self.pieces[number - 1]
                end_s = before.start_time_s + (before.n_rows - 0.5) / self.rate_hz
                yield np.array([end_s]), np.full((1, len(self.columns)), np.nan)
            for row, values in self.piece_blocks(piece):
                yield piece.start_time_s + (row + np.arange(len(values))) / self.rate_hz, values

    def piece_blocks(self, piece: Piece) -> Iterator[tuple[int, Array]]:
        """Row within a piece and values (n, columns) from there on, in blocks of up to BLOCK_ROWS."""
        for row in range(0, piece.n_rows, BLOCK_ROWS):
            start, stop = piece.first_row + row, piece.first_row + min(row + BLOCK_ROWS, piece.n_rows)
            yield row, np.hstack([self._values(name, start, stop) for name in self._turned])
            self._on_progress(stop, self.capture.n_samples)

    def _values(self, quantity: str, start: int, stop: int) -> Array:
        counts = self.capture.counts(quantity, start, stop)
        values = counts.astype(float)
        values[np.any(counts == self.capture.layout.quantities[quantity].no_reading, axis=1)] = np.nan
        if self.axes == "counts":
            return values
        values *= self.capture.scales[quantity]
        if quantity == "acceleration":
            values -= self._offset_ms2
        if self.axes == "vehicle":
            values = values @ self._turned[quantity].T
        return values / self._unit_si[quantity]

    @cached_property
    def metadata(self) -> dict[str, Any]:
        """What a file says of its samples beside them, as JSON can hold it; what is not known is None."""
        capture = self.capture
        start = started(capture, self.rate_hz)
        low_hz, high_hz = map(float, capture.file.attrs["rate_interval_hz"])
        anti_alias_hz = float(capture.file.attrs["anti_alias_hz"])
        return {
            "format": FORMAT,
            "written_by": WRITTEN_BY,
            "capture": capture.path.name,
            "raw_sha256": capture.text("raw_sha256"),
            "chip": capture.text("chip"),
            "start_utc": utc(start) if start else capture.text("started_utc") or None,
            "start_uncertainty_s": start.uncertainty_s if start else None,
            "rate_hz": self.rate_hz,
            "rate_interval_hz": [low_hz, high_hz] if math.isfinite(low_hz + high_hz) else None,
            "nominal_rate_hz": capture.odr_hz,
            "anti_alias_hz": anti_alias_hz if math.isfinite(anti_alias_hz) else None,
            "axes": self.axes,
            "axes_in_words": IN_WORDS[self.axes],
            "units": {column.quantity: column.unit for column in self.columns},
            "full_scale": {name: self.full_scale(name) for name in self._turned},
            "counts_are": {UNITS["si"][name][0]: capture.scales[name] for name in self._turned},
            "calibration": self._calibration,
            "samples": capture.n_samples,
            "gaps": len(self.pieces) - 1,
            "first_gaps": self._gaps(),
            "conditions": capture.conditions.to_dict(),
        }

    def _gaps(self) -> list[dict[str, Any]]:
        """Time of the last sample before each gap between samples, and how many are missing (None: not known)."""
        entries = []
        for before, after in zip(self.pieces, self.pieces[1 : MOST_GAPS + 1], strict=False):
            gaps = self.capture.gaps[self.capture.gaps["row"] == after.first_row]
            missing = int(gaps["missing"].sum()) if gaps["missing"].min() >= 0 else None
            reasons = sorted({reason.decode("ascii", "replace") for reason in gaps["reason"]})
            after_s = before.start_time_s + (before.n_rows - 1) / self.rate_hz
            entries.append({"after_s": after_s, "missing": missing, "reason": ", ".join(reasons)})
        return entries
