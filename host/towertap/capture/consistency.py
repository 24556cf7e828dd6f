"""Checks the tables of a capture against each other: frames, samples, gaps and messages must agree."""

from collections.abc import Iterable

import numpy as np

from towertap.capture.continuity import LARGEST_COUNTER, UNKNOWN
from towertap.errors import FileError


def check_consistency(
    frames: Iterable[np.ndarray], n_samples: int, tables: dict[str, np.ndarray], *, has_frames: bool = True
) -> None:
    """FileError if tables contradict each other. `tables` are the small ones by name, `frames` come in blocks.

    An imported capture has no frames.
    """
    for name, table in tables.items():
        rows = table["row"] if "row" in (table.dtype.names or ()) else np.empty(0)
        if len(rows) and (np.any(np.diff(rows) < 0) or rows[0] < 0 or rows[-1] > n_samples):
            raise FileError(f"its {name.replace('_', ' ')} are out of order")
    missing, lost = tables["gaps"]["missing"], tables["lost_messages"]["messages"]
    if np.any((missing < 1) & (missing != UNKNOWN)) or missing.sum(dtype=float) > LARGEST_COUNTER:
        raise FileError(f"gaps of {missing.min()} to {missing.max()} samples")
    if np.any(lost < 1) or lost.sum(dtype=float) > LARGEST_COUNTER:
        raise FileError(f"runs of {lost.min()} to {lost.max()} lost messages")
    if has_frames:
        _check_frames(frames, n_samples, tables["gaps"]["row"])
    elif any(map(len, frames)):
        raise FileError("frames of a box in an imported capture")


def _check_frames(blocks: Iterable[np.ndarray], n_samples: int, gap_rows: np.ndarray) -> None:
    """Frames must cover all rows in order, with gaps exactly where their counters step, or at either end."""
    row, next_sample = 0, None
    explained = (gap_rows == 0) | (gap_rows == n_samples)
    for frames in blocks:
        if not len(frames):
            continue
        counts, first = frames["count"].astype(np.int64), np.clip(frames["first_sample"], 0, LARGEST_COUNTER)
        rows = row + np.cumsum(counts) - counts
        expected = np.concatenate(([first[0] if next_sample is None else next_sample], (first + counts)[:-1]))
        if not np.array_equal(rows, frames["row"]):
            raise FileError("its frames do not match its samples")
        if not np.all(np.isin(rows[first != expected], gap_rows)):
            raise FileError("a gap between its frames is missing from its gaps")
        explained |= np.isin(gap_rows, rows)
        row, next_sample = int(rows[-1] + counts[-1]), int(first[-1] + counts[-1])
    if row != n_samples or not explained.all():
        raise FileError("its frames do not match its samples and gaps")
