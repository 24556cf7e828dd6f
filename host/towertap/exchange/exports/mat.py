"""MATLAB's MAT-file, level 5: `time_s` and a column an axis, double, and `metadata`, a text of JSON; a gap is one NaN.

Metadata are written by scipy; the columns by hand, as the format's own description (MAT-File Format, R2017b, chapter 1)
has it, since scipy would hold a whole one in memory.
"""

import json
import shutil
import struct
from pathlib import Path

from towertap.errors import CallError
from towertap.exchange.exports.form import ExportFormat, columns_on_disk
from towertap.exchange.samples import Samples

INT8, INT32, UINT32, DOUBLE, MATRIX = 1, 5, 6, 9, 14
"""Data types of table 1-1."""
DOUBLE_CLASS = 6
LARGEST_BYTES = 2**31
"""Of a variable."""


def write(samples: Samples, path: Path) -> None:
    """Write the metadata, then a column after the other."""
    from scipy.io import savemat

    if 8 * samples.n_rows >= LARGEST_BYTES:
        raise CallError(f"a column of {samples.n_rows:,} rows is more than a .mat holds: export to .parquet or .csv")
    with path.open("wb") as file, columns_on_disk(samples, path) as columns:
        savemat(file, {"metadata": json.dumps(samples.metadata)})
        for name, column in columns.items():
            file.write(_head(name, samples.n_rows))
            with column.open("rb") as values:
                shutil.copyfileobj(values, file)


def _head(name: str, length: int) -> bytes:
    """What stands before the doubles of a variable (length, 1): tags of type and bytes, each on a multiple of 8."""
    text = name.encode("ascii")
    head = struct.pack("<4I", UINT32, 8, DOUBLE_CLASS, 0) + struct.pack("<2I2i", INT32, 8, length, 1)
    head += struct.pack("<2I", INT8, len(text)) + text.ljust(-(-len(text) // 8) * 8, b"\0")
    head += struct.pack("<2I", DOUBLE, 8 * length)
    return struct.pack("<2I", MATRIX, len(head) + 8 * length) + head


EXPORT = ExportFormat(write)
