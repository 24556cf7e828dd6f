"""MATLAB MAT-file up to level 5 (`save -v7`): vectors of one length, or matrices with one axis per column."""

from pathlib import Path

import numpy as np

from towertap.doors.files import size_of
from towertap.errors import FileError
from towertap.exchange.imports.apart import Arrays, read_apart
from towertap.exchange.imports.form import MOST_BYTES, FileContent, export_metadata, repeated


def read(path: Path) -> FileContent:
    """Read the numeric variables of the length that most of them have."""
    size_of(path, "a MAT-file of samples", MOST_BYTES)
    content = read_apart("mat", path)
    metadata = export_metadata(content.texts.get("metadata", ""), path)
    columns = [column for name, array in content.arrays.items() for column in _columns(name, array)]
    lengths = [len(values) for _, values in columns]
    length = max(set(lengths), key=lengths.count, default=0)
    names = [name for name, values in columns if len(values) == length]
    if length < 2 or len(names) < 3:
        variables = ", ".join(content.arrays) or "none"
        raise FileError(f"{path}: it does not hold three vectors of one length; its numeric variables: {variables}")
    if name := repeated(names):
        raise FileError(f"{path}: two columns are called {name!r}; rename a variable")
    values = np.column_stack([values.astype(float) for _, values in columns if len(values) == length])
    return FileContent(names, values, start_utc=metadata.start_utc or "", metadata=metadata)


def arrays(path: Path) -> Arrays:
    """The variables that are matrices of real numbers, and those that are one text."""
    from scipy.io import loadmat

    try:
        variables = loadmat(path)
    except NotImplementedError:
        raise ValueError("a MAT-file of version 7.3; save it in MATLAB with -v7") from None
    matrices = {name: array for name, array in variables.items() if isinstance(array, np.ndarray)}
    return Arrays(
        {
            name: array
            for name, array in matrices.items()
            if array.ndim == 2 and np.issubdtype(array.dtype, np.number) and not np.iscomplexobj(array)
        },
        {name: str(array.flat[0]) for name, array in matrices.items() if array.dtype.kind == "U" and array.size == 1},
    )


def _columns(name: str, array: np.ndarray) -> list[tuple[str, np.ndarray]]:
    """A vector under its name; the columns of a matrix under name and axis if there are three, else name and number."""
    if 1 in array.shape:
        return [(name, array.ravel())]
    tall = array if array.shape[0] > array.shape[1] else array.T
    suffixes = "xyz" if tall.shape[1] == 3 else range(1, tall.shape[1] + 1)
    return [(f"{name}_{suffix}", column) for suffix, column in zip(suffixes, tall.T, strict=True)]
