"""FIR filters as matrix products: one product gives a frame of output rows.

In single precision, which is fast; its rounding, 1e-7 of gravity, is far below a count of the chip.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

Single = NDArray[np.float32]

FRAME = 32
"""Output rows per product."""
AT_ONCE = 128
"""Frames multiplied at once; few enough to stay in the processor's cache."""


@cache
def _blas() -> ThreadpoolController:
    """Numpy's BLAS; cached, since finding it takes as long as filtering."""
    return ThreadpoolController().select(user_api="blas")


def one_thread() -> AbstractContextManager[object]:
    """Limit products to one thread: they are small, and on a busy machine several threads take fifty times as long."""
    return _blas().limit(limits=1)


def product_of(taps: NDArray[np.float64], step: int = 1) -> Single:
    """The matrix (rows, FRAME) from input rows to a frame of output rows: each column has the taps `step` further."""
    product = np.zeros((step * (FRAME - 1) + len(taps), FRAME), np.float32)
    for column in range(FRAME):
        product[step * column : step * column + len(taps), column] = taps
    return product


def filtered(rows: Single, product: Single, step: int = 1) -> Single:
    """All output rows (signals, m), one per `step` input rows, that the input rows (signals, n) allow."""
    span = len(product)
    count = max(0, (rows.shape[1] - span) // step + FRAME)
    output = np.empty((len(rows), count), np.float32)
    frames, rest = divmod(count, FRAME)
    if frames:
        cut = np.lib.stride_tricks.sliding_window_view(rows, span, axis=1)[:, :: step * FRAME][:, :frames]
        whole = output[:, : frames * FRAME].reshape(len(rows), frames, FRAME)
        for start in range(0, frames, AT_ONCE):  # overlapping rows need a copy for BLAS
            whole[:, start : start + AT_ONCE] = np.ascontiguousarray(cut[:, start : start + AT_ONCE]) @ product
    if rest:
        used = span - step * (FRAME - rest)
        last = rows[:, step * frames * FRAME :][:, :used]
        output[:, frames * FRAME :] = last @ product[:used, :rest]
    return output
