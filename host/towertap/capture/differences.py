"""Counts as a capture stores them: differences along time, which deflate to the size of FLAC.

Each value is the difference from the previous row plus 128, modulo 2^16 or 2^32, so small differences have a zero upper
byte. Every STRETCH rows start again with the count itself plus 128, so a stretch can be read on its own. First
differences always: on drives, second differences take 1/8 more space and plain counts at least 2/5 more. Plain counts
would save at most 1/8 on the white noise of a bench recording, too little to choose per stretch.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise, product

import numpy as np

from towertap.doors.deflate import END_BLOCK, RUNS_ONLY, InflateError, compressobj, decompress
from towertap.lazily import h5py

STRETCH = 16384
OFFSET = 128
WHAT = f"cumulative sums of (these - {OFFSET}) in their own type, anew every {STRETCH} rows, are the counts of the chip"
_SHUFFLED_AND_DEFLATED = [2, 1]
"""HDF5's numbers of the filters in a capture that no other program has repacked."""
UNREADABLE = (OSError, RuntimeError, ValueError, InflateError)
"""Raised when damaged differences are read."""


def write(dataset: h5py.Dataset, start: int, counts: np.ndarray) -> None:
    """Write columns of counts, (columns, n), starting at row `start`, a multiple of STRETCH.

    HDF5 reads the result as its own shuffle and deflate. It is smaller and takes a third of the time, because deflate
    looks only for runs: sensor noise has no other repetitions. Threads would be slower, the pieces of work are short.
    """
    columns, rows = counts.shape
    for row, column in product(range(0, rows, STRETCH), range(columns)):
        packed = _packed(counts[column, row : row + STRETCH])
        dataset.id.write_direct_chunk((start + row, column), packed)


def _packed(counts: np.ndarray) -> bytes:
    differences = np.full(STRETCH, OFFSET, counts.dtype)  # HDF5 stores full chunks, also the last one
    differences[: len(counts)] += counts
    differences[1 : len(counts)] -= counts[:-1]
    planes = differences.view(np.uint8).reshape(STRETCH, -1).T  # HDF5's shuffle: all lower bytes, then all upper ones
    deflate = compressobj(1, strategy=RUNS_ONLY)
    packed = [deflate.compress(plane.tobytes()) + deflate.flush(END_BLOCK) for plane in planes]
    return b"".join(packed) + deflate.flush()


class Counts:
    """Reads counts from a dataset of differences."""

    def __init__(self, dataset: h5py.Dataset) -> None:
        self._dataset = dataset
        creation = dataset.id.get_create_plist()
        filters = [creation.get_filter(k)[0] for k in range(creation.get_nfilters())]
        is_ours = (dataset.chunks, filters) == ((STRETCH, 1), _SHUFFLED_AND_DEFLATED)
        self._take = _inflated if is_ours else _by_hdf5
        self._stretch = lru_cache(1)(self._accumulated)  # a block rarely ends where a stretch does

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Rows [start, stop) as (columns, n); raises one of UNREADABLE."""
        counts = np.empty((self._dataset.shape[1], stop - start), self._dataset.dtype)
        for place in range(start - start % STRETCH, stop, STRETCH):
            first, end = max(start, place), min(place + STRETCH, stop)
            counts[:, first - start : end - start] = self._stretch(place)[:, first - place : end - place]
        return counts

    def _accumulated(self, place: int) -> np.ndarray:
        differences = np.zeros((self._dataset.shape[1], STRETCH), self._dataset.dtype)
        for column, row in enumerate(differences):
            stored = self._take(self._dataset, place, column)
            row[: len(stored)] = stored  # HDF5 gives only the rows of the dataset
        differences -= OFFSET
        return _cumulative(differences)


def _cumulative(differences: np.ndarray) -> np.ndarray:
    """Cumulative sums (columns, STRETCH) in half the time of numpy, whose additions wait for each other.

    Sums within runs of 16 rows are made side by side; then each run starts at the sum of all runs before it.
    """
    columns, rows = differences.shape
    sums = np.ascontiguousarray(differences.reshape(columns, -1, 16).transpose(2, 0, 1))
    for previous, current in pairwise(sums):
        current += previous
    sums[..., 1:] += np.cumsum(sums[-1, :, :-1], axis=1, dtype=sums.dtype)
    return sums.transpose(1, 2, 0).reshape(columns, rows)


class EarlierCounts:
    """Reads plain counts, as schemas 1 and 2 store them."""

    def __init__(self, dataset: h5py.Dataset) -> None:
        self._dataset = dataset

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Same as `Counts.rows`."""
        return np.array([self._dataset[start:stop, column] for column in range(self._dataset.shape[1])])


def _by_hdf5(dataset: h5py.Dataset, place: int, column: int) -> np.ndarray:
    stretch: np.ndarray = dataset[place : place + STRETCH, column]
    return stretch


def _inflated(dataset: h5py.Dataset, place: int, column: int) -> np.ndarray:
    """Same as `_by_hdf5`, without HDF5's inflate, which takes twice the time of everything else."""
    filters_left_out, packed = dataset.id.read_direct_chunk((place, column))
    if filters_left_out:
        return _by_hdf5(dataset, place, column)
    *lower, highest = np.frombuffer(decompress(packed), np.uint8).reshape(dataset.dtype.itemsize, STRETCH)
    stretch = highest.astype(dataset.dtype)
    for plane in reversed(lower):
        stretch <<= 8
        stretch |= plane
    return stretch
