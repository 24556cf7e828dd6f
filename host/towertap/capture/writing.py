"""Writes a capture in blocks to a temporary file, and renames it once it is complete and valid."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from io import BytesIO
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from towertap.capture import differences, frame_table, schema
from towertap.doors.whole_file import allocate, whole_file
from towertap.errors import FileError
from towertap.lazily import h5py

BLOCK_CHUNKS = 8
"""Rows are buffered up to this many chunks, so that each chunk is compressed once."""
LIBRARY = ("v110", "v110")
AHEAD_BYTES = 8 * 2**20
"""Disk space reserved ahead of the data."""
METADATA_BYTES = 2**19
"""More than the indexes that HDF5 keeps in memory until it closes the file."""


class CaptureWriter:
    """Context manager: append to the schema's datasets, set the attributes once; `path` appears on a clean exit.

    HDF5 does not survive a full disk, so disk space is reserved before each write. If there is none, a FileError says
    so and no file is left.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._cleanup = ExitStack()
        self._waiting: dict[str, np.ndarray] = {}
        self._entries: dict[str, schema.Dataset] = {}
        self._fill: dict[str, int] = {}
        self._reserved = self._used = 0

    def __enter__(self) -> Self:
        with ExitStack() as cleanup:
            self._part = cleanup.enter_context(whole_file(self._path))
            empty = BytesIO()
            self.file = h5py.File(empty, "w", libver=LIBRARY)
            self.file.close()
            try:
                self._part.write_bytes(empty.getvalue())
            except OSError as error:
                reason = error.strerror or "not a place for a file"
                raise FileError(f"{self._path}: cannot be written ({reason}); give another path") from None
            cleanup.callback(lambda: self.file.close())
            self._reserve(0)
            self.create([schema.FRAMES, *schema.tables()])
            self._cleanup = cleanup.pop_all()
        return self

    def _reserve(self, size: int) -> None:
        """Reserve disk space for `size` more bytes. Closing the file makes HDF5 release what it has not used."""
        self._used += size
        if self._used + METADATA_BYTES <= self._reserved:
            return
        self.file.close()
        self._used = self._part.stat().st_size + size
        self._reserved = self._used + METADATA_BYTES + AHEAD_BYTES
        try:
            allocate(self._part, self._reserved)
        except OSError as error:
            needed = f"it needs {self._reserved / 1e6:.0f} MB so far ({error.strerror}); free some or give another path"
            raise FileError(f"{self._path}: no space for the capture, {needed}") from None
        self.file = h5py.File(self._part, "r+", libver=LIBRARY)

    def create(self, entries: Iterable[schema.Dataset]) -> None:
        """Make buffers for these datasets; a dataset itself is created when it has rows."""
        for entry in entries:
            self._entries[entry.name], self._fill[entry.name] = entry, 0
            self._waiting[entry.name] = np.empty((BLOCK_CHUNKS * entry.chunk_rows, *entry.tail), entry.dtype, "F")

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
        """Add rows to the dataset `name`, cast to its type."""
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
        """Add rows to the table `name`; FileError if it exceeds LARGEST_TABLE_ROWS."""
        if rows:
            self.append(name, np.array(rows, self._waiting[name].dtype))
            stored = len(self.file[name]) if name in self.file else 0
            if self._fill[name] + stored > schema.LARGEST_TABLE_ROWS:
                number, what = f"{schema.LARGEST_TABLE_ROWS:,}", name.replace("_", " ")
                raise FileError(f"{self._path}: would have more than {number} {what}, which no drive has")

    def set_attributes(self, values: Mapping[str, Any]) -> None:
        """Set attributes of the file; the schema lists the required ones."""
        self._reserve(sum(len(value) for value in values.values() if isinstance(value, str)))
        schema.set_attributes(self.file, values)

    def flush(self) -> None:
        """Write all buffered rows, so that `file` can be read; no rows may follow."""
        for name in self._waiting:
            self._flush(name)

    def _flush(self, name: str) -> None:
        fill = self._fill[name]
        if not fill:
            return
        self._reserve(int(self._waiting[name][:fill].nbytes * schema.WORST_DEFLATE_RATIO))
        if name not in self.file:
            schema.create(self.file, self._entries[name])
        dataset, rows = self.file[name], self._waiting[name][:fill]
        start = dataset.shape[0]
        dataset.resize(start + fill, axis=0)
        if dataset.ndim == 2:
            differences.write(dataset, start, rows.T)
        else:
            dataset[start:] = frame_table.differences(rows) if name == frame_table.NAME else rows
        self._fill[name] = 0
