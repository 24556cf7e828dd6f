"""Opens and validates a capture, and reads it in pieces without gaps and in physical units."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from towertap.capture import schema
from towertap.capture.conditions import Conditions, StruckOut
from towertap.capture.consistency import check_consistency
from towertap.capture.continuity import LARGEST_COUNTER
from towertap.capture.differences import UNREADABLE, Counts, EarlierCounts
from towertap.capture.frame_table import frame_blocks
from towertap.capture.imported import LAYOUTS_OF_OTHERS, Origin
from towertap.doors.files import Closing, opened, size_of
from towertap.doors.structured import from_json, typed
from towertap.doors.times import local_day
from towertap.errors import FileError
from towertap.lazily import h5py
from towertap.wire.frames import SYNC
from towertap.wire.layouts import Layout
from towertap.wire.messages import RATES_HZ, hello_of

WANTED = "a capture (.h5)"
LARGEST_RAW_HEAD = 64
"""Bytes read to recognise a raw recording."""


@dataclass(frozen=True)
class Piece:
    """A run of samples without a gap."""

    first_row: int
    n_rows: int
    start_time_s: float
    """Time of its first sample from the capture's first, including missing samples; after a gap of unknown length, the
    earliest possible time."""


class Capture(Closing):
    """A valid capture, open for reading; use as a context manager."""

    def __init__(self, path: Path, file: h5py.File, layout: Layout) -> None:
        self.path, self.file, self.layout = path, file, layout
        known = {field.name for field in fields(Conditions)}  # a newer minor version of the schema may have more
        try:
            stored = self._json("conditions")
            self.conditions = Conditions(**{name: value for name, value in stored.items() if name in known})
            self.hello: dict[str, Any] = self._json("hello")
            hello_of(self.hello)
        except FileError as error:
            raise FileError(f"damaged capture: {error}; {schema.AGAIN}") from None
        self.odr_hz = self._number("odr_hz", *RATES_HZ)
        self.rate_hz = self._number("rate_hz", 0.5 * self.odr_hz, 2 * self.odr_hz)
        self.scales = {name: self._number(schema.SCALES[name], 1e-9, 1e3) for name in layout.quantities}
        """m/s² or rad/s per count, by quantity."""
        for name in ("bad_frames", "skipped_bytes"):
            self._number(name, 0, LARGEST_COUNTER)
        self.scale_ms2 = self.scales["acceleration"]
        self.scale_rads = self.scales.get("rotation", math.nan)
        self.axes = tuple(f"{name} {axis}" for name in layout.quantities for axis in "xyz")
        """Names of all axes, such as "acceleration x"."""
        self.axis_scales = np.repeat(list(self.scales.values()), 3)
        """(n,) m/s² or rad/s per count, by axis."""
        version = schema.version_of(file)
        stored = {name: file[entry.name] for name, entry in schema.counts_of(layout, version).items()}
        counts_type = Counts if version >= (3, 0) else EarlierCounts
        self._counts = {name: counts_type(dataset) for name, dataset in stored.items()}
        self.n_samples = int(stored["acceleration"].shape[0])
        if self.n_samples == 0:
            raise FileError(f"a capture without samples; {schema.AGAIN}")
        self._tables = {entry.name: self._small_table(entry.name) for entry in schema.tables()}
        try:
            check_consistency(frame_blocks(file), self.n_samples, self._tables, has_frames=not self.is_imported)
        except FileError as error:
            raise FileError(f"damaged capture: {error}; {schema.AGAIN}") from None

    @property
    def is_imported(self) -> bool:
        """Whether it comes from another recorder and not a box, so that less can be checked."""
        return self.layout in LAYOUTS_OF_OTHERS.values()

    @cached_property
    def origin(self) -> Origin | None:
        """Where an imported capture comes from; None for a box's."""
        if not self.is_imported:
            return None
        try:
            source: Origin = typed(self.host.get("imported"), Origin, "imported")
        except FileError as error:
            raise FileError(f"{self.path}: damaged capture: {error}; import the file again") from None
        return source

    def close(self) -> None:
        """Close the file."""
        self.file.close()

    def text(self, name: str) -> str:
        """A text attribute of the file."""
        return schema.text_attribute(self.file, name)

    @cached_property
    def host(self) -> dict[str, Any]:
        """The sidecar's keys except the conditions; empty if they cannot be read."""
        try:
            return self._json("host")
        except FileError:
            return {}

    @cached_property
    def frames(self) -> np.ndarray:
        """Table of frames (frame_table.FRAME), about 50 bytes per frame."""
        return np.concatenate(list(frame_blocks(self.file)))

    @property
    def struck_out(self) -> StruckOut | None:
        """Why every command leaves it out; None if it is not struck out."""
        try:
            struck: StruckOut | None = typed(self.host.get("struck_out"), StruckOut | None, "host")
        except FileError:
            return StruckOut("for a reason that cannot be read", "")
        return struck

    @property
    def utc_offset_s(self) -> int | None:
        """Local time minus UTC where it was recorded; None if not known."""
        try:
            offset: int | None = typed(self.host.get("utc_offset_s"), int | None, "host")
        except FileError:
            return None
        return offset if offset is None or abs(offset) < 86400 else None

    @property
    def day(self) -> date | None:
        """Local day of the recording; None if not known."""
        return local_day(self.text("started_utc"), self.utc_offset_s)

    @property
    def gaps(self) -> np.ndarray:
        """Table of gaps (schema.GAP), ordered by row."""
        return self.table("gaps")

    @property
    def marks(self) -> np.ndarray:
        """Table of marks; the texts are UTF-8 bytes."""
        return self.table("marks")

    @property
    def faults(self) -> np.ndarray:
        """Table of faults that the box reported."""
        return self.table("faults")

    def pieces(self) -> list[Piece]:
        """The pieces between gaps, in order."""
        edges = np.unique(np.concatenate(([0], self.gaps["row"], [self.n_samples])))
        before = np.searchsorted(self.gaps["row"], edges[:-1], side="right")
        missing = np.concatenate(([0], np.cumsum(np.maximum(self.gaps["missing"], 0))))[before]
        missing -= missing[0]
        times = (edges[:-1] + missing) / self.rate_hz
        return [Piece(int(a), int(b - a), float(t)) for a, b, t in zip(edges[:-1], edges[1:], times, strict=True)]

    def times_s(self, rows: np.ndarray) -> np.ndarray:
        """Times of rows (n,) in seconds from the capture's first sample; see `Piece.start_time_s`."""
        pieces = self.pieces()
        firsts = np.array([piece.first_row for piece in pieces])
        number = np.maximum(np.searchsorted(firsts, rows, side="right") - 1, 0)
        starts_s = np.array([piece.start_time_s for piece in pieces])
        times: np.ndarray = starts_s[number] + (rows - firsts[number]) / self.rate_hz
        return times

    def blocks(self, piece: Piece, block_rows: int = 65536) -> Iterator[np.ndarray]:
        """Acceleration of a piece, float64 (n, 3) in m/s², chip axes, in blocks of up to `block_rows`."""
        end = piece.first_row + piece.n_rows
        for start in range(piece.first_row, end, block_rows):
            yield self.counts("acceleration", start, min(start + block_rows, end)) * self.scale_ms2

    def counts(self, name: str, start: int, stop: int) -> np.ndarray:
        """Rows [start, stop) of `acceleration` or `rotation`, integers (n, 3) as the chip gave them."""
        try:
            return self._counts[name].rows(start, stop).T
        except UNREADABLE:
            raise FileError(f"{self.path}: damaged capture: /{name} cannot be read; {schema.AGAIN}") from None

    def table(self, name: str) -> np.ndarray:
        """All rows of a small table of the schema; empty if the capture does not have it."""
        return self._tables[name]

    def _small_table(self, name: str) -> np.ndarray:
        try:
            return schema.small_table(self.file, name)
        except OSError:
            raise FileError(f"{self.path}: damaged capture: /{name} cannot be read; {schema.AGAIN}") from None

    def _json(self, name: str) -> dict[str, Any]:
        return from_json(self.text(name), dict[str, Any], name)

    def _number(self, name: str, lowest: float, highest: float) -> float:
        value = float(self.file.attrs[name])
        if not lowest <= value <= highest:
            raise FileError(f"damaged capture: its {name} is {value:g}; {schema.AGAIN}")
        return value


def open_capture(path: str | Path) -> Capture:
    """Open and validate a capture; FileError for anything else."""
    path = Path(path)
    size_of(path, WANTED)
    try:
        file = h5py.File(path, "r")
    except OSError as error:
        raise FileError(f"{path}: {_reason_not_hdf5(path, error)}") from None
    try:
        return Capture(path, file, schema.validate(file))
    except FileError as error:
        file.close()
        raise FileError(f"{path}: {error}") from None
    except schema.DAMAGED:
        file.close()
        raise FileError(f"{path}: damaged capture; {schema.AGAIN}") from None


def _reason_not_hdf5(path: Path, error: OSError) -> str:
    with opened(path, WANTED) as file:
        head = file.read(LARGEST_RAW_HEAD)
    if not head:
        return f"empty; {schema.AGAIN}"
    if SYNC in head:
        return f"a raw recording; decode it first: towertap decode {shlex.quote(str(path))}"
    if "truncated" in str(error):
        return f"cut off: the file is shorter than it should be; {schema.AGAIN}"
    return (
        f"not a towertap capture (not an HDF5 file): move it away and {schema.AGAIN}; 'towertap import' makes one from "
        "another recorder's file"
    )
