"""One ratio over all roads, whether the roads differ, and the smooth road as a control.

The roads are fixed: the ratio is the geometric mean over the roads driven, all with equal weight, and says nothing of a
road not driven. The unit is the round, one drive over every road, so that what its roads share (warmth, wind, the
driver) stays in the error. A round that lacks a road is left out; otherwise the roads would not weigh the same.
"""

from collections.abc import Hashable, Sequence
from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import ALPHA, Floats, Student, dummies

Reading = Literal[
    "rough moved more", "moved alike", "smooth moved more", "moved apart", "smooth held still", "cannot tell"
]


def rounds(
    logs: ArrayLike, road: ArrayLike, number: Sequence[Hashable], after: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The mean over roads of each round that drove them all, and its first pass: logs (…, n) over several roads.

    `road` (n,) names the road, `number` (n,) the round, counted within each side, and `after` (n,) is True after the
    change. Returns means (…, rounds), and the index (rounds,) of each round's first pass.
    """
    labels = list(zip(np.asarray(after, bool).tolist(), number, strict=True))
    member = np.array([[label == name for name in dict.fromkeys(labels)] for label in labels])
    in_road = dummies(road).astype(int)
    counts = in_road.T @ member
    complete = np.all(counts > 0, axis=0)
    share = member[:, complete] / (in_road @ counts[:, complete]) / len(counts)
    return np.asarray(logs, float) @ share, member[:, complete].argmax(axis=0)


def p_roads_differ(roads: Sequence[Student]) -> Floats:
    """The p of Welch's F (1951) that two or more roads' own contrasts, of passes alone, share one ratio.

    A large p does not say that they agree. Cochran's Q, with weights estimated from few passes, finds differences that
    are not there; Welch's F is that Q with the few degrees of freedom allowed for, his t squared for two roads. Rounds
    that the roads share make it conservative.
    """
    difference, error, df = (
        np.stack([np.asarray(getattr(road, name)) for road in roads]) for name in ("difference", "error", "df")
    )
    count = len(roads)
    weight = error**-2.0
    share = weight / weight.sum(axis=0)
    q = (weight * (difference - (share * difference).sum(axis=0)) ** 2).sum(axis=0) / (count - 1)
    lost = ((1 - share) ** 2 / df).sum(axis=0)
    f = q / (1 + 2 * (count - 2) / (count**2 - 1) * lost)
    return scipy.special.fdtrc(count - 1, (count**2 - 1) / (3 * lost), f)


def smooth_control(rough: Student, smooth: Student, margin: float) -> tuple[Student, Reading]:
    """The ratio of ratios, rough roads (one, or over all) over the smooth one, and what change that leaves as theirs.

    Passes alone, single sets. What acts on every road alike (box, tyres, weather, day) cancels, and so does what the
    part does on the smooth road. Errors add in squares, with Welch and Satterthwaite's degrees of freedom; shared
    rounds make it conservative. No reading rests on a large p:

    - "rough moved more": the rough roads' change exceeds what acts on every road alike.
    - "moved alike": the smooth road moved the same way and the rough ones are not shown to have moved more, so the part
      is not named as the cause; another drive must tell which it was.
    - "moved apart": both moved, in opposite ways, so what acts on every road alike reduced the rough roads' change.
    - "smooth held still": the smooth road's change is shown to lie inside the margin.
    """
    variances = np.array([rough.error, smooth.error]) ** 2
    total = variances.sum()
    df = total**2 / (variances**2 / np.array([rough.df, smooth.df])).sum()
    over = Student(rough.difference - smooth.difference, np.sqrt(total), df)
    if over.p_difference() < ALPHA:
        if abs(rough.difference) > abs(smooth.difference):
            return over, "rough moved more"
        apart = rough.difference * smooth.difference < 0 and rough.p_difference() < ALPHA
        return over, "moved apart" if apart else "smooth moved more"
    if smooth.p_difference() < ALPHA and rough.difference * smooth.difference > 0:
        return over, "moved alike"
    return over, "smooth held still" if smooth.p_equivalence(margin) < ALPHA else "cannot tell"
