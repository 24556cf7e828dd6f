"""MATLAB's MAT-file up to level 5 (`save -v7`): vectors of one length, or matrices with an axis a column."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from towertap.doors.files import size_of
from towertap.errors import FileError
from towertap.exchange.imports.form import MOST_BYTES, FileContent, our_metadata_in


def read(path: Path) -> FileContent:
    """Read the numeric variables of the length that most of them have."""
    from scipy.io import loadmat

    size_of(path, "a MAT-file of samples", MOST_BYTES)
    try:
        variables = loadmat(path)
    except NotImplementedError:
        raise FileError(f"{path}: a MAT-file of version 7.3; save it in MATLAB with -v7") from None
    except Exception as error:  # of a broken file scipy raises anything
        raise FileError(f"{path}: no MAT-file that can be read: {' '.join(str(error).split())[:100]}") from None
    text = variables.pop("metadata", np.empty(0))
    metadata = our_metadata_in(str(text.flat[0]) if text.size == 1 else "", path)
    columns: dict[str, np.ndarray] = {}
    for name, array in variables.items():
        if isinstance(array, np.ndarray) and array.ndim == 2 and np.issubdtype(array.dtype, np.number):
            columns |= _columns(name, array)
    lengths = [len(column) for column in columns.values()]
    length = max(set(lengths), key=lengths.count, default=0)
    names = [name for name, column in columns.items() if len(column) == length]
    if length < 2 or len(names) < 3:
        raise FileError(f"{path}: holds no three vectors of one length; variables are {', '.join(variables) or 'none'}")
    values = np.column_stack([columns[name].astype(float) for name in names])
    return FileContent(names, values, start_utc=metadata.start_utc or "", metadata=metadata)


def _columns(name: str, array: np.ndarray) -> dict[str, np.ndarray]:
    """A vector by its name, a matrix of three columns or rows by name and axis, of others by name and number."""
    if 1 in array.shape:
        return {name: array.ravel()}
    tall = array if array.shape[0] > array.shape[1] else array.T
    axes = "xyz" if tall.shape[1] == 3 else range(1, tall.shape[1] + 1)
    return {f"{name}_{axis}": column for axis, column in zip(axes, tall.T, strict=True)}
