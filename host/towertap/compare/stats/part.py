"""About the part: what these drives showed, with the spread of installations and days that the design left in it.

    SE² = s²_pass · Σ w² + s²_installation · Σ W_i² + s²_day · Σ W_d²

with w the weights of the passes and W their sums in each installation and day. If both spreads are given, the degrees
of freedom are Welch and Satterthwaite's (GUM, JCGM 100:2008, equation G.2b), a given spread counting GIVEN_DF. If one
is measured, they are its own, the fewest: a spread that happens to come out small would otherwise also get a small
factor. The statement is never surer than the one on these drives: half-width and p are the wider of the two.

How far installations of one part, and days, differ when nothing else changes is measured, stated, or assumed, always as
a standard deviation of the logarithm (0.03 is 3 %). A measurement with at least ENOUGH_DF degrees of freedom stands
alone. With fewer, the assumption supplies those that are missing: s² = ((4 − ν) · 0.03² + ν s_ν²) / 4, with four
degrees of freedom. Two installations alone would show next to nothing (t with one degree of freedom).

Tried and rejected, as `tests/compare/stats/part_effect.py` prints: Satterthwaite's degrees of freedom for measured
spreads; half-widths added in squares; installations as the units with nothing assumed, which is what Kenward and
Roger's degrees of freedom come to with equally many passes in each installation. Generalised least squares would change
the ratio, and gains nothing in balanced designs.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import (
    ALPHA,
    LEAST_P,
    Floats,
    Levels,
    Student,
    dummies,
    pass_contrast,
    residual_maker,
    residual_variance,
)
from towertap.compare.stats.design import SEVERAL, UNKNOWN, Design

Source = Literal["this set", "controls", "stated", "assumed", "installations"]
"""The last is for days that coincide with installations and were measured with them."""

ASSUMED_SD = 0.03
"""Until a control replaces it: levels differ by some 3 % from one installation or day to the next."""
GIVEN_DF = 30.0
"""A spread given as a number is taken as known to within 13 % (GUM, JCGM 100:2008, G.4.2: df = ½ (Δu/u)^−2)."""
ENOUGH_DF = 4.0
"""Chosen by simulation: if the assumption counts for more, false changes exceed 5 % at a true spread of 4 %."""
LEAST_P_GIVEN = 0.01
"""The least p reported on a given spread: if the truth is a third larger, 0.01 is really 0.04."""
LARGEST_SD = 1.0
"""The largest spread of installations or days that is tried."""


@dataclass(frozen=True, eq=False)
class MeasuredVariance:
    """A variance between installations or between days, estimated with `df` degrees of freedom; it can be negative."""

    variance: Floats
    df: float


NOTHING = MeasuredVariance(0.0, 0.0)


def pooled(measured: Iterable[MeasuredVariance]) -> MeasuredVariance:
    """The mean of variances, weighted by their degrees of freedom."""
    several = list(measured)
    df = sum(entry.df for entry in several)
    return MeasuredVariance(sum(entry.variance * entry.df for entry in several) / df, df) if df else NOTHING


@dataclass(frozen=True, eq=False)
class ClusterSpread:
    """The spread used for a statement about the part, and its source."""

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
    """The spread to use: this set's if it has one, else the controls', else the stated one, else the assumed one.

    Controls with fewer than ENOUGH_DF degrees of freedom count only together with this set's own, or if they contradict
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
    """Whether a measured variance is too large for a spread: χ² at ALPHA; never without a measurement."""
    return bool(measured.df and measured.df * measured.variance > scipy.special.chdtri(measured.df, ALPHA) * sd**2)


def within_cells(logs: NDArray[np.float64], design: Design) -> tuple[Floats, float]:
    """Variance within part, installation, day and block, and its degrees of freedom; NaN without any."""
    return residual_variance(logs, dummies(design.cells))


def between_installations(logs: NDArray[np.float64], design: Design) -> MeasuredVariance:
    """The variance between installations in logs (…, n), if each part has SEVERAL that matter.

    Days and blocks are taken out first (by differences of mean squares: Henderson 1953, method 3). If each installation
    has its own day (`Design.joint`), it is the variance of both together.
    """
    if min(design.installations) < SEVERAL:
        return NOTHING
    return _between(logs, design, design.installation, *([] if design.joint else [design.day]))


def between_days(logs: NDArray[np.float64], design: Design) -> MeasuredVariance:
    """The same between days, if each part was driven on SEVERAL; installations and blocks are taken out first."""
    if design.joint or min(design.days) < SEVERAL:
        return NOTHING
    return _between(logs, design, design.day, design.installation)


def _between(
    logs: NDArray[np.float64], design: Design, code: NDArray[np.int64], *further: NDArray[np.int64]
) -> MeasuredVariance:
    if UNKNOWN in code or any(UNKNOWN in other for other in further):
        return NOTHING
    without = residual_maker(design.nuisance(*further))
    beyond = without - residual_maker(design.nuisance(*further, code))
    df = round(float(np.trace(beyond)))
    if df < 1:
        return NOTHING
    groups = dummies(code).astype(float)
    passes, _ = within_cells(logs, design)
    squares = ((logs @ beyond) ** 2).sum(axis=-1) - df * np.nan_to_num(passes)
    return MeasuredVariance(squares / np.trace(groups.T @ without @ groups), float(df))


@dataclass(frozen=True, eq=False)
class Components:
    """What makes up SE²: the error of the passes and its df, the spreads, and the coefficients of their variances.

    If installations and days coincide and were measured together, `installation` is the spread of both and the day's
    coefficient is 0.
    """

    pass_error: Floats
    pass_df: Floats
    installation: ClusterSpread
    day: ClusterSpread
    installation_coefficient: float
    day_coefficient: float

    def student(self, drives: Student) -> Student:
        """The statement about the part, from the one on these drives."""
        spreads = ((self.installation, self.installation_coefficient), (self.day, self.day_coefficient))
        variances = [(coefficient * cluster.sd**2, cluster) for cluster, coefficient in spreads if coefficient > 1e-9]
        total = self.pass_error**2 + sum(variance for variance, _ in variances)
        measured = [cluster.df for _, cluster in variances if cluster.measured]
        if measured:
            df = min(measured)
        else:
            parts = [self.pass_error**4 / self.pass_df, *(variance**2 / cluster.df for variance, cluster in variances)]
            with np.errstate(invalid="ignore", divide="ignore"):
                df = total**2 / sum(parts)
        least = LEAST_P if measured or not variances else LEAST_P_GIVEN
        return Student(drives.difference, np.sqrt(total), df, at_least=drives, least_p=least)


@dataclass(frozen=True, eq=False)
class Statements:
    """The two statements: `drives` on these drives, `part` about the part; and what the second is made of."""

    drives: Student
    part: Student
    components: Components

    def overturned_by(
        self, kind: Literal["installation", "day"], margin: float, levels: Levels = (ALPHA, ALPHA)
    ) -> float | None:
        """The largest spread of `kind` that leaves the verdict about the part unchanged, all else equal.

        As a standard deviation of the logarithm, taken as given; infinite if the design cancels it, None if the verdict
        is undecided. For a single set.
        """
        verdict = self.part.verdict(margin, levels)
        if verdict == "undecided":
            return None
        trial = np.linspace(0.0, LARGEST_SD, 10_001)
        cluster, own = ClusterSpread(trial, GIVEN_DF, "stated"), self.components
        changed = replace(own, installation=cluster) if kind == "installation" else replace(own, day=cluster)
        part = changed.student(self.drives)
        if verdict == "equivalent":
            stays = part.half_width(2 * levels[1]) < np.log1p(margin) - abs(part.difference)
        else:
            stays = part.half_width(levels[0]) < abs(part.difference)
        largest = trial[np.broadcast_to(stays, trial.shape)].max(initial=0.0)
        return math.inf if largest == LARGEST_SD else float(largest)


def statements(
    logs: ArrayLike, design: Design, installation: Beforehand = UNKNOWN_SPREAD, day: Beforehand = UNKNOWN_SPREAD
) -> Statements:
    """Both statements from logs (…, n) of the passes of `design`, with what is known of the spreads beforehand."""
    values = np.asarray(logs, float)
    drives = pass_contrast(values, design.after, design.block)
    variance, df = within_cells(values, design)
    error = np.sqrt(variance * (design.weights @ design.weights))
    if not df >= 1:
        error, df = drives.error, drives.df
    own = between_installations(values, design)
    if design.joint and own.df:
        together = spread(own, UNKNOWN_SPREAD, np.sqrt(2) * ASSUMED_SD)
        none = ClusterSpread(0.0, together.df, "installations")
        components = Components(error, df, together, none, design.installation_coefficient, 0.0)
    else:
        components = Components(
            error,
            df,
            spread(own, installation),
            spread(between_days(values, design), day),
            design.installation_coefficient,
            design.day_coefficient,
        )
    return Statements(drives, components.student(drives), components)
