"""Does a change repeat from block to block? Pure functions on arrays."""

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import dummies, off


def block_ratios(logs: ArrayLike, is_after: ArrayLike, block: ArrayLike) -> tuple[float, ...]:
    """The ratio of geometric means in each block in turn, from logs (n,); every block must hold both sides."""
    values, after, blocks = np.asarray(logs, float), np.asarray(is_after, bool), np.asarray(block)
    return tuple(
        float(np.exp(values[(blocks == number) & after].mean() - values[(blocks == number) & ~after].mean()))
        for number in np.unique(blocks)
    )


def p_interaction(logs: ArrayLike, is_after: ArrayLike, block: ArrayLike) -> float | None:
    """The p of part × block: F-test against the passes' own spread within part and block; None where that has none."""
    values, after, blocks = np.asarray(logs, float), np.asarray(is_after, bool), dummies(block)
    additive = off(np.column_stack([after, blocks]))
    cells = off(np.column_stack([blocks & after[:, None], blocks & ~after[:, None]]))
    within, within_df = _square(values, cells)
    between, between_df = _square(values, additive - cells)
    if within_df < 1 or not within > 0:
        return None
    return float(scipy.special.fdtrc(between_df, within_df, between / between_df / (within / within_df)))


def _square(values: NDArray[np.float64], projection: NDArray[np.float64]) -> tuple[float, int]:
    """Sum of squares and degrees of freedom of what a projection (n, n) leaves."""
    return float(values @ projection @ values), round(float(np.trace(projection)))
