"""A capture's samples as columns with names, units and true times: what every export writes."""

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
"""Identifies an export."""
BLOCK_ROWS = 16384
MOST_PIECES = 1000
"""Each piece may become a file."""
MOST_GAPS = 1000
"""Gaps listed in the metadata; the samples show all."""

UNITS: dict[Units, dict[str, tuple[str, str, float]]] = {
    "si": {"acceleration": ("m/s²", "ms2", 1.0), "rotation": ("rad/s", "rads", 1.0)},
    "g": {"acceleration": ("g", "g", STANDARD_GRAVITY_MS2), "rotation": ("°/s", "dps", math.radians(1))},
}
"""Quantity → unit, the suffix of a column's name, and the unit's size in m/s² or rad/s."""
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
    """Quantity, axis and unit in characters that every format accepts: `acceleration_z_ms2`."""


class Samples:
    """The samples of an open capture in chosen axes and units, block by block.

    `vehicle` axes include the bench calibration if there is a valid one; `chip` axes and `counts` are as read. All
    values are float64, with NaN where the chip had no reading; counts are exact in float64.
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
        """`mounting` and `bench` are as in an analysis; `on_progress` gets the numbers of samples done and in total."""
        self.capture, self.axes, self._on_progress = capture, axes, on_progress
        self.pieces = capture.pieces()
        self.rate_hz = capture.rate_hz
        quantities = list(capture.layout.quantities)
        column_units = dict.fromkeys(quantities, ("counts", "counts", 1.0)) if axes == "counts" else UNITS[units]
        self.columns = tuple(
            Column(name, axis, column_units[name][0], f"{name}_{axis}_{column_units[name][1]}")
            for name in quantities
            for axis in "xyz"
        )
        self._unit_si = {name: column_units[name][2] for name in quantities}
        self._rotations = {name: np.eye(3) for name in quantities}
        self._offset_ms2, self._calibration = np.zeros(3), "none applied"
        if axes == "vehicle":
            records = records_for(capture, bench)
            rotation = rotation_to_vehicle(capture, mounting, records)
            self._offset_ms2, correction = records.correction
            self._rotations = dict.fromkeys(quantities, rotation) | {"acceleration": rotation @ correction}
            self._calibration = records.calibration.words

    @property
    def n_rows(self) -> int:
        """Total rows of `blocks`: every sample, and one row for each gap between samples."""
        return sum(piece.n_rows for piece in self.pieces) + len(self.pieces) - 1

    def cut(self, max_rows: int) -> list[Samples]:
        """Parts without gaps: one or more for each piece between gaps, of up to `max_rows`.

        CallError if there are more than MOST_PIECES.
        """
        if len(self.pieces) > MOST_PIECES:
            raise CallError(f"{len(self.pieces)} pieces between gaps are too many files; a .csv holds gaps, too")
        parts = []
        for piece in self.pieces:
            for row in range(0, piece.n_rows, max_rows):
                part = copy(self)
                start_s = piece.start_time_s + row / self.rate_hz
                part.pieces = [Piece(piece.first_row + row, min(max_rows, piece.n_rows - row), start_s)]
                part.metadata = self.metadata | {"starts_at_s": start_s, "samples": part.pieces[0].n_rows}
                parts.append(part)
        return parts

    def full_scale(self, quantity: str) -> float:
        """The end of the chip's range in the columns' unit."""
        highest = self.capture.layout.quantities[quantity].full_scale
        return highest * (1.0 if self.axes == "counts" else self.capture.scales[quantity] / self._unit_si[quantity])

    def blocks(self) -> Iterator[tuple[Array, Array]]:
        """All rows in order: times (n,) in s from the first sample, and values (n, columns).

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
        """A piece in blocks of up to BLOCK_ROWS: the block's first row in the piece, and values (n, columns)."""
        for row in range(0, piece.n_rows, BLOCK_ROWS):
            start, stop = piece.first_row + row, piece.first_row + min(row + BLOCK_ROWS, piece.n_rows)
            yield row, np.hstack([self._values(name, start, stop) for name in self._rotations])
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
            values = values @ self._rotations[quantity].T
        return values / self._unit_si[quantity]

    @cached_property
    def metadata(self) -> dict[str, Any]:
        """Metadata that go into every file, as JSON types; None for what is not known."""
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
            "full_scale": {name: self.full_scale(name) for name in self._rotations},
            "counts_are": {UNITS["si"][name][0]: capture.scales[name] for name in self._rotations},
            "calibration": self._calibration,
            "samples": capture.n_samples,
            "gaps": len(self.pieces) - 1,
            "first_gaps": self._gaps(),
            "conditions": capture.conditions.to_dict(),
        }

    def _gaps(self) -> list[dict[str, Any]]:
        """For each gap: time of the last sample before it, number of missing samples (None: not known), reason."""
        entries = []
        for before, after in zip(self.pieces, self.pieces[1 : MOST_GAPS + 1], strict=False):
            gaps = self.capture.gaps[self.capture.gaps["row"] == after.first_row]
            missing = int(gaps["missing"].sum()) if gaps["missing"].min() >= 0 else None
            reasons = sorted({reason.decode("ascii", "replace") for reason in gaps["reason"]})
            after_s = before.start_time_s + (before.n_rows - 1) / self.rate_hz
            entries.append({"after_s": after_s, "missing": missing, "reason": ", ".join(reasons)})
        return entries
