"""Writes a capture in blocks to a temporary name beside it, and gives it its name when it is whole and valid."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np

from towertap.capture import schema
from towertap.doors.whole_file import whole_file
from towertap.errors import FileError

BLOCK_CHUNKS = 16
"""Rows are gathered until so many chunks are full, so that each chunk is compressed once."""


class CaptureWriter:
    """Context manager: append to the schema's datasets, set the attributes once; `path` appears on a clean exit."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._cleanup = ExitStack()
        self._waiting: dict[str, np.ndarray] = {}
        self._fill: dict[str, int] = {}

    def __enter__(self) -> Self:
        with ExitStack() as cleanup:
            part = cleanup.enter_context(whole_file(self._path))
            try:
                self.file = cleanup.enter_context(h5py.File(part, "w", libver=("v110", "v110")))
            except OSError as error:
                why = os.strerror(error.errno) if error.errno else "no place for a file"
                raise FileError(
                    f"{self._path}: cannot be written ({why}); give another place for the capture"
                ) from None
            self._cleanup = cleanup.pop_all()
        self.create(schema.tables())
        return self

    def create(self, entries: Iterable[schema.Dataset]) -> None:
        """Make datasets: the tables are there at once, the counts when the chip is known."""
        for entry in entries:
            schema.create(self.file, entry)
            self._waiting[entry.name] = np.empty((BLOCK_CHUNKS * entry.chunk_rows, *entry.tail), entry.dtype)
            self._fill[entry.name] = 0

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            with self._cleanup:
                self.flush()
                schema.validate(self.file)
        else:
            self._cleanup.__exit__(kind, error, trace)

    def append(self, name: str, rows: np.ndarray) -> None:
        """Add rows to the dataset `name`; they are cast to its type."""
        waiting = self._waiting[name]
        done = 0
        while done < len(rows):
            fill = self._fill[name]
            taken = min(len(rows) - done, len(waiting) - fill)
            waiting[fill : fill + taken] = rows[done : done + taken]
            self._fill[name] = fill + taken
            done += taken
            if self._fill[name] == len(waiting):
                self._flush(name)

    def add(self, name: str, rows: Sequence[tuple]) -> None:
        """Add rows to the table `name`; FileError when it becomes longer than a table may be."""
        if rows:
            self.append(name, np.array(rows, self._waiting[name].dtype))
            if self._fill[name] + self.file[name].shape[0] > schema.LARGEST_TABLE_ROWS:
                raise FileError(f"more than {schema.LARGEST_TABLE_ROWS:,} {name.replace('_', ' ')}, which no drive has")

    def set_attributes(self, values: Mapping[str, Any]) -> None:
        """Set attributes of the file; the schema says which there must be."""
        schema.set_attributes(self.file, values)

    def flush(self) -> None:
        """Put all rows into the file, so that `file` can be read."""
        for name in self._waiting:
            self._flush(name)

    def _flush(self, name: str) -> None:
        fill = self._fill[name]
        dataset = self.file[name]
        start = dataset.shape[0]
        dataset.resize(start + fill, axis=0)
        dataset[start:] = self._waiting[name][:fill]
        self._fill[name] = 0
