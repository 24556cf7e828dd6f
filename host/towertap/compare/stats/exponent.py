"""How a figure goes with speed over one road, from passes that were driven at different speeds; pure functions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

LEAST_SPREAD = 0.002
"""With speeds that vary by less (standard deviation of the logarithm, within a side and place) nothing is told."""


@dataclass(frozen=True)
class Exponent:
    """The figure goes as speed to the power `value`; `interval` holds it with 95 %."""

    value: float
    interval: tuple[float, float]


def exponent(log_speeds: ArrayLike, log_figures: ArrayLike, after: ArrayLike) -> Exponent | None:
    """The exponent of speed in a figure, from logarithms (passes, places); `after` (passes,) says which side each is.

    Least squares with an effect of its own for each place with each part, so that neither the road nor the part nor
    what the part does at one place is taken for speed. The pass is the unit: the error is the jackknife that leaves out
    one pass at a time (CV3 of MacKinnon, Nielsen, Webb 2023, doi:10.1002/jae.2969), whatever the places of a pass have
    in common; the interval has passes − 3 degrees of freedom, one for each side's mean and one for the slope. None with
    fewer than three passes on a side, or where the speeds hardly differ.
    """
    x, y = np.atleast_2d(np.asarray(log_speeds, float)), np.atleast_2d(np.asarray(log_figures, float))
    of_after = np.asarray(after, bool)
    groups = [np.flatnonzero(of_after == side) for side in (False, True)]
    if min(map(len, groups)) < 3 or not x.size:
        return None
    products, squares = _within(x, y, groups)
    if np.sqrt(squares.sum() / x.size) < LEAST_SPREAD:
        return None
    value = float(products.sum() / squares.sum())
    left_out = []
    for number in range(len(x)):
        p, s = _within(x, y, [group[group != number] for group in groups])
        left_out.append(float(p.sum() / s.sum()) if s.sum() > 0 else value)
    error = float(np.sqrt((len(x) - 1) / len(x) * np.square(np.array(left_out) - value).sum()))
    reach = float(scipy.special.stdtrit(len(x) - 3, 0.975)) * error
    return Exponent(value, (value - reach, value + reach))


def _within(x: Array, y: Array, groups: list[NDArray[np.intp]]) -> tuple[Array, Array]:
    """Sums of products and of squares by side, each place's mean over the side's passes taken out."""
    products, squares = np.zeros(len(groups)), np.zeros(len(groups))
    for k, group in enumerate(groups):
        dx, dy = x[group] - x[group].mean(axis=0), y[group] - y[group].mean(axis=0)
        products[k], squares[k] = (dx * dy).sum(), (dx * dx).sum()
    return products, squares
