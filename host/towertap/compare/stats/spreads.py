"""How far installations of one part, and days, differ when nothing else changes: measured, stated, or assumed.

All as standard deviations of the logarithm (0.03 is 3 %). What is measured with ENOUGH_DF degrees of freedom or more
stands alone. With fewer, the assumption makes up those that are missing: s² = ((4 − ν) · 0.03² + ν s_ν²) / 4, with four
degrees of freedom. Two installations alone would tell next to nothing (t with one degree of freedom).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.compare.stats.contrast import ALPHA, Floats, dummies, off, residual_variance
from towertap.compare.stats.design import SEVERAL, UNKNOWN, Design

Source = Literal["this set", "controls", "stated", "assumed"]

ASSUMED_SD = 0.03
"""Until a control replaces it: between one installation or day and the next a figure differs by some 3 %."""
GIVEN_DF = 30.0
"""A spread given as a number is taken as known to within 13 % (GUM, JCGM 100:2008, G.4.2: df = ½ (Δu/u)^−2)."""
ENOUGH_DF = 4.0
"""Chosen by simulation: where the assumption counts for more, more than 5 % are told at a true spread of 4 %."""


@dataclass(frozen=True, eq=False)
class MeasuredVariance:
    """A variance between installations or between days, estimated with `df` degrees of freedom; it can be negative."""

    variance: Floats
    df: float


NOTHING = MeasuredVariance(0.0, 0.0)


def pooled(measured: Iterable[MeasuredVariance]) -> MeasuredVariance:
    """The mean of variances, each weighed by its degrees of freedom."""
    several = list(measured)
    df = sum(entry.df for entry in several)
    return MeasuredVariance(sum(entry.variance * entry.df for entry in several) / df, df) if df else NOTHING


@dataclass(frozen=True, eq=False)
class ClusterSpread:
    """The spread that a statement about the part takes, and where it is from."""

    sd: Floats
    df: float
    source: Source

    @property
    def measured(self) -> bool:
        """Whether it was measured, in this set or by controls."""
        return self.source in ("this set", "controls")


@dataclass(frozen=True, eq=False)
class Beforehand:
    """What is known of a spread before looking at this set: controls of the same vehicle, a stated sd, or neither."""

    controls: MeasuredVariance = NOTHING
    stated_sd: float | None = None


UNKNOWN_SPREAD = Beforehand()


def spread(own: MeasuredVariance, before: Beforehand, assumed_sd: float = ASSUMED_SD) -> ClusterSpread:
    """The spread to take: this set's where it tells one, else the controls', else what was stated, else assumed.

    Controls with fewer than ENOUGH_DF degrees of freedom count only beside this set's own, or where they contradict
    what is given.
    """
    given = ClusterSpread(assumed_sd, GIVEN_DF, "assumed")
    if before.stated_sd is not None:
        given = ClusterSpread(before.stated_sd, GIVEN_DF, "stated")
    controls = before.controls
    if not own.df and controls.df < ENOUGH_DF and not contradicts(controls, given.sd):
        return given
    together = pooled([own, controls])
    df = max(together.df, ENOUGH_DF)
    variance = ((df - together.df) * assumed_sd**2 + together.df * np.fmax(together.variance, 0.0)) / df
    return ClusterSpread(np.sqrt(variance), df, "this set" if own.df else "controls")


def contradicts(measured: MeasuredVariance, sd: float) -> bool:
    """Whether a measured variance is too large for a spread: χ² at ALPHA; nothing measured contradicts nothing."""
    return bool(measured.df and measured.df * measured.variance > scipy.special.chdtri(measured.df, ALPHA) * sd**2)


def within_cells(logs: NDArray[np.float64], design: Design) -> tuple[Floats, float]:
    """The variance of passes alike in part, installation, day and block, and its degrees of freedom; NaN without."""
    return residual_variance(logs, dummies(design.cells))


def between_installations(logs: NDArray[np.float64], design: Design) -> MeasuredVariance:
    """The variance between installations in logs (…, n), where each part has SEVERAL that carry weight.

    Days and blocks are taken out first (by differences of mean squares: Henderson 1953, method 3). Where each
    installation has a day of its own (`Design.joint`) it is the variance of both together.
    """
    if min(design.installations) < SEVERAL:
        return NOTHING
    return _between(logs, design, design.installation, *([] if design.joint else [design.day]))


def between_days(logs: NDArray[np.float64], design: Design) -> MeasuredVariance:
    """The same between days, where each part was driven on SEVERAL; installations and blocks are taken out first."""
    if design.joint or min(design.days) < SEVERAL:
        return NOTHING
    return _between(logs, design, design.day, design.installation)


def _between(
    logs: NDArray[np.float64], design: Design, code: NDArray[np.int64], *further: NDArray[np.int64]
) -> MeasuredVariance:
    if UNKNOWN in code or any(UNKNOWN in other for other in further):
        return NOTHING
    without = off(design.nuisance(*further))
    beyond = without - off(design.nuisance(*further, code))
    df = round(float(np.trace(beyond)))
    if df < 1:
        return NOTHING
    groups = dummies(code).astype(float)
    passes, _ = within_cells(logs, design)
    squares = ((logs @ beyond) ** 2).sum(axis=-1) - df * np.nan_to_num(passes)
    return MeasuredVariance(squares / np.trace(groups.T @ without @ groups), float(df))
