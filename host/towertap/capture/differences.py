"""Counts as a capture stores them: differences along time, which deflate packs as small as FLAC does.

A column's difference from row to row plus 128, modulo 2^16 or 2^32, so that a small one has zeros in its upper bytes.
Every STRETCH rows begin anew with the count itself, plus 128, so that a stretch can be read on its own. Always the
first difference: of a drive the second takes an eighth more and none takes two fifths more at least; of the white
noise of a bench none would take up to an eighth less, which no choice from stretch to stretch is worth.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np

from towertap.doors.deflate import END_BLOCK, RUNS_ONLY, InflateError, compressobj, decompress
from towertap.lazily import h5py

STRETCH = 16384
OFFSET = 128
WHAT = f"cumulative sums of (these - {OFFSET}) in their own type, anew every {STRETCH} rows, are the counts of the chip"
_SHUFFLED_AND_DEFLATED = [2, 1]
"""The filters of a capture that nobody packed anew, by the numbers that HDF5 gives them."""
UNREADABLE = (OSError, RuntimeError, ValueError, InflateError)
"""What reading damaged ones raises."""


def write(dataset: h5py.Dataset, start: int, counts: np.ndarray) -> None:
    """Write columns of counts, (columns, n), from row `start` on, a multiple of STRETCH.

    The bytes are those that HDF5 makes of shuffle and deflate, only smaller and in a third of the time. Deflate's
    search for repetitions finds none in the noise of a sensor: only runs are looked for. Threads would take longer:
    they hand over to each other more than they pack.
    """
    columns, rows = counts.shape
    for row, column in product(range(0, rows, STRETCH), range(columns)):
        packed = _packed(counts[column, row : row + STRETCH])
        dataset.id.write_direct_chunk((start + row, column), packed)


def _packed(counts: np.ndarray) -> bytes:
    differences = np.full(STRETCH, OFFSET, counts.dtype)  # HDF5 stores whole stretches, the last one as well
    differences[: len(counts)] += counts
    differences[1 : len(counts)] -= counts[:-1]
    planes = differences.view(np.uint8).reshape(STRETCH, -1).T  # the lower bytes, then the upper: HDF5's shuffle
    deflate = compressobj(1, strategy=RUNS_ONLY)
    packed = [deflate.compress(plane.tobytes()) + deflate.flush(END_BLOCK) for plane in planes]
    return b"".join(packed) + deflate.flush()


class Counts:
    """A dataset of differences, open for reading, as the counts that they are of."""

    def __init__(self, dataset: h5py.Dataset) -> None:
        self._dataset = dataset
        creation = dataset.id.get_create_plist()
        filters = [creation.get_filter(k)[0] for k in range(creation.get_nfilters())]
        is_ours = (dataset.chunks, filters) == ((STRETCH, 1), _SHUFFLED_AND_DEFLATED)
        self._take = _inflated if is_ours else _by_hdf5
        self._stretch = lru_cache(dataset.shape[1])(self._accumulated)  # blocks seldom end where stretches do

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Rows [start, stop), (columns, n); one of UNREADABLE where they cannot be read."""
        counts = np.empty((self._dataset.shape[1], stop - start), self._dataset.dtype)
        for place, (column, of_column) in product(range(start - start % STRETCH, stop, STRETCH), enumerate(counts)):
            first, end = max(start, place), min(place + STRETCH, stop)
            of_column[first - start : end - start] = self._stretch(place, column)[first - place : end - place]
        return counts

    def _accumulated(self, place: int, column: int) -> np.ndarray:
        stretch = self._take(self._dataset, place, column)
        stretch -= OFFSET
        return np.cumsum(stretch, dtype=stretch.dtype, out=stretch)


class EarlierCounts:
    """The counts themselves, as schemas 1 and 2 hold them."""

    def __init__(self, dataset: h5py.Dataset) -> None:
        self._dataset = dataset

    def rows(self, start: int, stop: int) -> np.ndarray:
        """As of `Counts`."""
        return np.array([self._dataset[start:stop, column] for column in range(self._dataset.shape[1])])


def _by_hdf5(dataset: h5py.Dataset, place: int, column: int) -> np.ndarray:
    stretch: np.ndarray = dataset[place : place + STRETCH, column]
    return stretch


def _inflated(dataset: h5py.Dataset, place: int, column: int) -> np.ndarray:
    """The same without HDF5's own inflating, which takes twice the time of all else."""
    filters_left_out, packed = dataset.id.read_direct_chunk((place, column))
    if filters_left_out:
        return _by_hdf5(dataset, place, column)
    *lower, highest = np.frombuffer(decompress(packed), np.uint8).reshape(dataset.dtype.itemsize, STRETCH)
    stretch = highest.astype(dataset.dtype)
    for plane in reversed(lower):
        stretch <<= 8
        stretch |= plane
    return stretch
