"""A capture's table of frames. The counters step evenly, so storing differences takes a third of the space."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from towertap.lazily import h5py

FRAME = np.dtype(
    [
        ("sequence", "<u4"),
        ("first_sample", "<i8"),
        ("row", "<i8"),
        ("count", "<u2"),
        ("clock_us", "<i8"),
        ("fifo_level", "<u2"),
        ("temperature_raw", "<i2"),
        ("flags", "u1"),
        ("raw_offset", "<i8"),
    ]
)
_COLUMNS = FRAME.names or ()
NAME, EARLIER = "frame_differences", "frames"
"""The table's name since schema 4, and in schemas 1 to 3, which store the values themselves."""
STRETCH = 4096
WHAT = (
    "one row a sample frame; cumulative sums of each column in its own type, anew every "
    f"{STRETCH} rows, are its numbers; row is that of its first sample above"
)
BLOCK_ROWS = 4 * STRETCH


def differences(frames: np.ndarray) -> np.ndarray:
    """Differences of frames (n,) as stored; the first frame must be the start of a stretch."""
    steps = frames.copy()
    for name in _COLUMNS:
        steps[name][1:] -= frames[name][:-1]
        steps[name][::STRETCH] = frames[name][::STRETCH]
    return steps


def stored_in(file: h5py.File) -> h5py.Dataset | None:
    """The table of an open capture; None for an imported capture, which has no frames."""
    return next((file[name] for name in (NAME, EARLIER) if name in file), None)


def n_frames(file: h5py.File) -> int:
    """Number of frames of an open capture."""
    table = stored_in(file)
    return 0 if table is None else len(table)


def frame_blocks(file: h5py.File) -> Iterator[np.ndarray]:
    """The frames of an open capture in blocks; at least one block, which may be empty."""
    table = stored_in(file)
    if table is None:
        yield np.empty(0, FRAME)
        return
    for start in range(0, max(len(table), 1), BLOCK_ROWS):
        rows = table[start : start + BLOCK_ROWS]
        yield _accumulated(rows) if table.name.endswith(NAME) else rows


def _accumulated(steps: np.ndarray) -> np.ndarray:
    for name, start in product(_COLUMNS, range(0, len(steps), STRETCH)):
        column = steps[name][start : start + STRETCH]
        np.cumsum(column, dtype=column.dtype, out=column)
    return steps
