"""Filters of finite length as matrix products: a frame of output rows is one product with as many input rows.

Single precision, so that the products are fast: its rounding, 1e-7 of gravity, is far below a count of the chip.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

Single = NDArray[np.float32]

FRAME = 32
"""Output rows that one product gives."""
AT_ONCE = 128
"""Frames that are multiplied at once, few enough to stay in the processor's cache."""


@cache
def _blas() -> ThreadpoolController:
    """Numpy's library of products; to look for it takes as long as a capture's smaller filters."""
    return ThreadpoolController().select(user_api="blas")


def one_thread() -> AbstractContextManager[object]:
    """Products in one thread: several cost more than such small ones, on a busy machine fifty times as much."""
    return _blas().limit(limits=1)


def product_of(taps: NDArray[np.float64], step: int = 1) -> Single:
    """What turns input rows into a frame of output rows, (rows, FRAME): the taps, `step` rows further a column."""
    product = np.zeros((step * (FRAME - 1) + len(taps), FRAME), np.float32)
    for column in range(FRAME):
        product[step * column : step * column + len(taps), column] = taps
    return product


def filtered(rows: Single, product: Single, step: int = 1) -> Single:
    """All output rows (signals, m), one in `step`, for which input rows (signals, n) are there."""
    span = len(product)
    count = max(0, (rows.shape[1] - span) // step + FRAME)
    output = np.empty((len(rows), count), np.float32)
    frames, rest = divmod(count, FRAME)
    if frames:
        cut = np.lib.stride_tricks.sliding_window_view(rows, span, axis=1)[:, :: step * FRAME][:, :frames]
        whole = output[:, : frames * FRAME].reshape(len(rows), frames, FRAME)
        for start in range(0, frames, AT_ONCE):  # overlapping rows go to BLAS as a copy
            whole[:, start : start + AT_ONCE] = np.ascontiguousarray(cut[:, start : start + AT_ONCE]) @ product
    if rest:
        used = span - step * (FRAME - rest)
        last = rows[:, step * frames * FRAME :][:, :used]
        output[:, frames * FRAME :] = last @ product[:used, :rest]
    return output
