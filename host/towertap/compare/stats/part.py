"""About the part: what these drives showed, with the spread of installations and days that the design left in it.

    SE² = s²_pass · Σ w² + s²_installation · Σ W_i² + s²_day · Σ W_d²

with w the weights of the passes and W their sums in each installation and day. Where both spreads are given, the
degrees of freedom are those of Welch and Satterthwaite (GUM, JCGM 100:2008, equation G.2b), a given spread with
GIVEN_DF; where one is measured, they are its own, the fewest, since a spread that happens to come out small would else
bring a small factor with it as well. The statement is never surer than the one on these drives: half-width and p are
the wider of the two.

Tried and left, as `tests/compare/stats/part_effect.py` prints: Satterthwaite's degrees of freedom over measured spreads
as well; half-widths added in squares; installations as the units and nothing assumed, which is what Kenward and Roger's
degrees of freedom come to where as many passes stand in each installation. Generalised least squares would change the
ratio, and gains nothing in balanced designs.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from towertap.compare.stats.contrast import ALPHA, LEAST_P, Floats, Levels, Student, pass_contrast
from towertap.compare.stats.design import Design
from towertap.compare.stats.spreads import (
    ASSUMED_SD,
    GIVEN_DF,
    UNKNOWN_SPREAD,
    Beforehand,
    ClusterSpread,
    between_days,
    between_installations,
    spread,
    within_cells,
)

LEAST_P_GIVEN = 0.01
"""The least p told on a given spread: where the truth is a third larger, 0.01 was really 0.04."""
LARGEST_SD = 1.0
"""No spread of installations or days is looked for beyond it."""


@dataclass(frozen=True, eq=False)
class Components:
    """What goes into SE²: the error of the passes and its df, the spreads, and the coefficients of their variances.

    Where installations and days are the same passes and were measured together, `installation` is the spread of both
    and the day's coefficient is 0.
    """

    pass_error: Floats
    pass_df: Floats
    installation: ClusterSpread
    day: ClusterSpread
    installation_coefficient: float
    day_coefficient: float

    def student(self, drives: Student) -> Student:
        """The statement about the part that they make of the one on these drives."""
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
    """The two: `drives` on these drives, `part` about the part, and what the second is made of."""

    drives: Student
    part: Student
    components: Components

    def overturned_by(
        self, kind: Literal["installation", "day"], margin: float, levels: Levels = (ALPHA, ALPHA)
    ) -> float | None:
        """The largest spread of `kind` that leaves the verdict about the part as it is, all else as it is.

        As a standard deviation of the logarithm, taken as given; infinite where the design cancels that spread. None
        where the verdict is undecided. For a single set.
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
    logs: ArrayLike,
    design: Design,
    installation: Beforehand = UNKNOWN_SPREAD,
    day: Beforehand = UNKNOWN_SPREAD,
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
        both = spread(own, UNKNOWN_SPREAD, np.sqrt(2) * ASSUMED_SD)
        none = ClusterSpread(0.0, both.df, both.source)
        components = Components(error, df, both, none, design.installation_coefficient, 0.0)
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
