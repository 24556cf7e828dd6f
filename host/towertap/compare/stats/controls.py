"""Controls: the same part fitted again, the same part another day, and a change that must show.

The first two are judged by equivalence, since a large p does not say that nothing changed, and give the variance that a
statement about the part takes in place of the assumption (`spreads.Beforehand`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from towertap.compare.stats.contrast import ALPHA, Student, pass_contrast
from towertap.compare.stats.spreads import MeasuredVariance

NoChange = Literal["equivalent", "different", "undecided"]


@dataclass(frozen=True, eq=False)
class NoChangeControl:
    """A A′: `contrast` is the second less the first over their passes, `variance` what it says of the spread.

    "equivalent": the two one-sided tests hold the ratio inside the margin; "different": it differs by more than passes
    do (and installations or days do too, then); "undecided": too few passes.
    """

    contrast: Student
    verdict: NoChange
    variance: MeasuredVariance


def no_change(first: ArrayLike, second: ArrayLike, margin: float) -> NoChangeControl:
    """Judge a refit control (two installations of one part) or a no-change day, from logs (n,) and (m,) of one road.

    The variance has one degree of freedom and may be negative: half of the squared difference, less the passes' share.
    Pool several controls with `spreads.pooled`.
    """
    contrast = _contrast(first, second)
    verdict: NoChange = "undecided"
    if contrast.p_equivalence(margin) < ALPHA:
        verdict = "equivalent"
    elif contrast.p_difference() < ALPHA:
        verdict = "different"
    error = np.nan_to_num(contrast.error)
    return NoChangeControl(contrast, verdict, MeasuredVariance((contrast.difference**2 - error**2) / 2, 1.0))


@dataclass(frozen=True, eq=False)
class PositiveControl:
    """A change of known direction that costs nothing: a day on which it does not show could not have shown the part."""

    contrast: Student
    shown: bool


def positive(before: ArrayLike, after: ArrayLike, harsher: bool) -> PositiveControl:
    """Judge a positive control from logs (n,) and (m,) of one road; `harsher` is the direction that it must take."""
    contrast = _contrast(before, after)
    right = (contrast.difference > 0) == harsher
    return PositiveControl(contrast, bool(right and contrast.p_difference() < ALPHA))


def _contrast(first: ArrayLike, second: ArrayLike) -> Student:
    logs = [np.asarray(group, float) for group in (first, second)]
    return pass_contrast(np.concatenate(logs), np.repeat([False, True], [group.size for group in logs]))
