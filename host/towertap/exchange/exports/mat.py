"""MATLAB's MAT-file, level 5: `time_s` and a column an axis, double, and `metadata`, a text of JSON; a gap is one NaN.

Metadata are written by scipy; the columns by hand, as the format's own description (MAT-File Format, R2017b, chapter 1)
has it, since scipy would hold a whole one in memory.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from towertap.errors import CallError
from towertap.exchange.exports.form import MARK, ExportFormat, column_by_column
from towertap.exchange.samples import Samples
from towertap.signals.filters import Array

INT8, INT32, UINT32, DOUBLE, MATRIX = 1, 5, 6, 9, 14
"""Data types of table 1-1."""
DOUBLE_CLASS = 6
LARGEST_BYTES = 2**31
"""Of a variable."""


def write(samples: Samples, path: Path) -> None:
    """Write the metadata, then a column after the other, each block by block."""
    from scipy.io import savemat

    if 8 * samples.n_rows >= LARGEST_BYTES:
        raise CallError(f"a column of {samples.n_rows:,} rows is more than a .mat holds: export to .parquet or .csv")
    with path.open("wb") as file:
        savemat(file, {"metadata": json.dumps(samples.metadata)})
        _column(file, "time_s", samples.n_rows, (time_s for time_s, _ in samples.blocks()))
        for number, column in enumerate(samples.columns):
            _column(file, column.name, samples.n_rows, (values[:, number] for _, values in samples.blocks()))


def _column(file: IO[bytes], name: str, length: int, blocks: Iterator[Array]) -> None:
    """A variable (length, 1): flags, dimensions, name and data, each a tag of type and bytes, on multiples of 8."""
    text = name.encode("ascii")
    head = struct.pack("<4I", UINT32, 8, DOUBLE_CLASS, 0) + struct.pack("<2I2i", INT32, 8, length, 1)
    head += struct.pack("<2I", INT8, len(text)) + text.ljust(-(-len(text) // 8) * 8, b"\0")
    head += struct.pack("<2I", DOUBLE, 8 * length)
    file.write(struct.pack("<2I", MATRIX, len(head) + 8 * length) + head)
    for values in blocks:
        file.write(values.astype("<f8").tobytes())


def recognise(path: Path) -> bool:
    """Whether its metadata says so."""
    from scipy.io import loadmat
    from scipy.io.matlab import MatReadError

    try:
        return MARK in str(loadmat(path, variable_names=["metadata"])["metadata"][0]).encode()
    except (MatReadError, OSError, ValueError, TypeError, KeyError, IndexError, NotImplementedError):
        return False


EXPORT = ExportFormat("MATLAB", write, recognise, passes=column_by_column)
