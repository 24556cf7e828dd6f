"""NumPy's .npz: `time_s` and an array an axis, (n,) float64, and `metadata`, a text of JSON; a gap is one NaN."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import IO

import numpy as np

from towertap.exchange.exports.form import ExportFormat, column_by_column
from towertap.exchange.samples import FORMAT, Samples


def write(samples: Samples, path: Path) -> None:
    """Write an array after the other, each block by block."""
    with zipfile.ZipFile(path, "w") as archive:
        with archive.open("metadata.npy", "w") as file:
            np.lib.format.write_array(file, np.array(json.dumps(samples.metadata)))
        with archive.open("time_s.npy", "w", force_zip64=True) as file:
            _head(file, samples.n_rows)
            for time_s, _ in samples.blocks():
                file.write(time_s.tobytes())
        for number, column in enumerate(samples.columns):
            with archive.open(f"{column.name}.npy", "w", force_zip64=True) as file:
                _head(file, samples.n_rows)
                for _, values in samples.blocks():
                    file.write(values[:, number].tobytes())


def _head(file: IO[bytes], length: int) -> None:
    np.lib.format.write_array_header_1_0(file, {"descr": "<f8", "fortran_order": False, "shape": (length,)})


def recognise(path: Path) -> bool:
    """Whether its metadata says so."""
    try:
        with np.load(path) as arrays:
            return json.loads(str(arrays["metadata"]))["format"] == FORMAT
    except (OSError, EOFError, ValueError, TypeError, KeyError, zipfile.BadZipFile):
        return False


EXPORT = ExportFormat("NumPy", write, recognise, passes=column_by_column)
