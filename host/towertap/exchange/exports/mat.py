"""MATLAB MAT-file, level 5: doubles `time_s` and one column per axis, and `metadata` as JSON text; a gap is one NaN.

scipy writes the metadata. The columns are written here (MAT-File Format, R2017b, chapter 1), because scipy would hold a
complete column in memory.
"""

import json
import shutil
import struct
from pathlib import Path

from towertap.errors import CallError
from towertap.exchange.exports.form import columns_on_disk
from towertap.exchange.samples import Samples

INT8, INT32, UINT32, DOUBLE, MATRIX = 1, 5, 6, 9, 14
"""Data types of table 1-1."""
DOUBLE_CLASS = 6
LARGEST_BYTES = 2**31
"""Limit of one variable."""


def write(samples: Samples, path: Path) -> None:
    """Write the metadata, then column by column."""
    from scipy.io import savemat

    if 8 * samples.n_rows >= LARGEST_BYTES:
        raise CallError(f"a .mat cannot hold a column of {samples.n_rows:,} rows; export to .parquet or .csv")
    with path.open("wb") as file, columns_on_disk(samples, path) as columns:
        savemat(file, {"metadata": json.dumps(samples.metadata)})
        for name, column in columns.items():
            file.write(_head(name, samples.n_rows))
            with column.open("rb") as values:
                shutil.copyfileobj(values, file)


def _head(name: str, length: int) -> bytes:
    """Header of a variable of doubles (length, 1): tags with type and size, each aligned to 8 bytes."""
    text = name.encode("ascii")
    head = struct.pack("<4I", UINT32, 8, DOUBLE_CLASS, 0) + struct.pack("<2I2i", INT32, 8, length, 1)
    head += struct.pack("<2I", INT8, len(text)) + text.ljust(-(-len(text) // 8) * 8, b"\0")
    head += struct.pack("<2I", DOUBLE, 8 * length)
    return struct.pack("<2I", MATRIX, len(head) + 8 * length) + head
