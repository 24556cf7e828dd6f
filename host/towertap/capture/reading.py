"""Opens a capture, holds it to the schema, and gives it out in pieces without gaps and in physical units."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np

from towertap.capture import schema
from towertap.capture.conditions import Conditions
from towertap.errors import CallError, FileError
from towertap.wire.frames import SYNC
from towertap.wire.layouts import FULL_SCALE_COUNTS, LAYOUTS, ODR_HZ, Layout

LARGEST_RAW_HEAD = 64
"""Bytes looked at to tell a raw recording from other files."""


@dataclass(frozen=True)
class Piece:
    """A stretch of samples with none missing."""

    first_row: int
    n_rows: int
    start_time_s: float
    """Time of its first sample from the capture's first, missing samples counted; after a gap of unknown length, the
    earliest that it can be."""


class Capture:
    """A valid capture, open for reading; use as a context manager."""

    full_scale_counts = FULL_SCALE_COUNTS

    def __init__(self, path: Path, file: h5py.File) -> None:
        self.path = path
        self.file = file
        try:
            known = {field.name for field in fields(Conditions)}  # a newer minor schema may have more
            held = json.loads(self.text("conditions"))
            self.conditions = Conditions(**{name: value for name, value in held.items() if name in known})
            self.hello: dict[str, Any] = dict(json.loads(self.text("hello")))
        except (ValueError, TypeError, AttributeError, RecursionError, CallError):
            raise FileError(
                "damaged capture: its conditions or hello cannot be read; decode the raw recording again"
            ) from None
        self.odr_hz = self._number("odr_hz", *ODR_HZ)
        self.rate_hz = self._number("rate_hz", 0.5 * self.odr_hz, 2 * self.odr_hz)
        self.scale_ms2 = self._number("acceleration_scale_ms2", 1e-9, 1e3)
        self.scale_rads = self._number("rotation_scale_rads", 1e-9, 1e3)
        self.n_samples = int(file["acceleration"].shape[0])
        if self.n_samples == 0:
            raise FileError("a capture without samples; decode the raw recording again")
        if int(file.attrs["layout"]) not in LAYOUTS:
            raise FileError("a capture of a chip that this towertap does not know: install a newer towertap")
        self.layout: Layout = LAYOUTS[int(file.attrs["layout"])]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.file.close()

    def text(self, name: str) -> str:
        """A text attribute of the file."""
        return schema.text_attribute(self.file, name)

    @cached_property
    def host(self) -> dict[str, Any]:
        """What the recording host knew (the sidecar's keys but for the conditions); empty where it cannot be read."""
        try:
            return dict(json.loads(self.text("host")))
        except (ValueError, TypeError, RecursionError):
            return {}

    @cached_property
    def gaps(self) -> np.ndarray:
        """Table of gaps (schema.GAP), in order of their rows."""
        gaps = self._table("gaps")
        rows = gaps["row"]
        if len(rows) and (np.any(np.diff(rows) < 0) or rows[0] < 0 or rows[-1] > self.n_samples):
            raise FileError(f"{self.path}: damaged capture: its gaps are out of order; decode the raw recording again")
        return gaps

    @cached_property
    def frames(self) -> np.ndarray:
        """Table of frames (schema.FRAME), some 50 bytes a frame."""
        return self._table("frames")

    @cached_property
    def marks(self) -> np.ndarray:
        """Table of marks (schema.MARK); the texts are UTF-8 bytes."""
        return self._table("marks")

    @cached_property
    def faults(self) -> np.ndarray:
        """Table of faults that the box reported (schema.FAULT)."""
        return self._table("faults")

    def pieces(self) -> list[Piece]:
        """The stretches between gaps, in order."""
        edges = np.unique(np.concatenate(([0], self.gaps["row"], [self.n_samples])))
        before = np.searchsorted(self.gaps["row"], edges[:-1], side="right")
        missing = np.concatenate(([0], np.cumsum(np.maximum(self.gaps["missing"], 0))))[before]
        missing -= missing[0]
        times = (edges[:-1] + missing) / self.rate_hz
        return [Piece(int(a), int(b - a), float(t)) for a, b, t in zip(edges[:-1], edges[1:], times, strict=True)]

    def blocks(self, piece: Piece, block_rows: int = 65536) -> Iterator[np.ndarray]:
        """Acceleration of a piece, float64 (n, 3) in m/s², chip axes, in blocks of up to `block_rows`."""
        end = piece.first_row + piece.n_rows
        for start in range(piece.first_row, end, block_rows):
            yield self.counts("acceleration", start, min(start + block_rows, end)) * self.scale_ms2

    def counts(self, name: str, start: int, stop: int) -> np.ndarray:
        """Rows [start, stop) of `acceleration` or `rotation`, int16 (n, 3) as the chip gave them."""
        try:
            rows: np.ndarray = self.file[name][start:stop]
        except OSError:
            raise FileError(
                f"{self.path}: damaged capture: /{name} cannot be read; decode the raw recording again"
            ) from None
        return rows

    def _table(self, name: str) -> np.ndarray:
        try:
            table: np.ndarray = self.file[name][:]
        except OSError:
            raise FileError(
                f"{self.path}: damaged capture: /{name} cannot be read; decode the raw recording again"
            ) from None
        return table

    def _number(self, name: str, lowest: float, highest: float) -> float:
        value = float(self.file.attrs[name])
        if not lowest <= value <= highest:
            raise FileError(f"damaged capture: its {name} is {value:g}; decode the raw recording again")
        return value


def open_capture(path: str | Path) -> Capture:
    """Open a capture and hold it to the schema; FileError in one line for whatever else the path names."""
    path = Path(path)
    if path.is_dir():
        raise FileError(f"{path}: a folder; give a capture (.h5) in it")
    if not path.exists():
        raise FileError(f"{path}: no such file; give a capture (.h5)")
    try:
        file = h5py.File(path, "r")
    except OSError as error:
        raise FileError(f"{path}: {_why_not_hdf5(path, error)}") from None
    try:
        schema.validate(file)
        return Capture(path, file)
    except FileError as error:
        file.close()
        raise FileError(f"{path}: {error}") from None
    except (OSError, RuntimeError, KeyError, ValueError, TypeError):
        file.close()
        raise FileError(f"{path}: damaged capture; decode the raw recording again") from None


def _why_not_hdf5(path: Path, error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "no right to read it"
    with path.open("rb") as file:
        head = file.read(LARGEST_RAW_HEAD)
    if not head:
        return "empty; decode the raw recording again"
    if SYNC in head:
        return f"a raw recording; decode it first: towertap decode {shlex.quote(str(path))}"
    if "truncated" in str(error):
        return "cut off: the file is shorter than it should be; decode the raw recording again"
    return "not a towertap capture (not an HDF5 file)"
