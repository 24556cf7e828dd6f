"""One ratio over all roads, whether the roads differ, and the smooth road as a control.

The roads are fixed: the ratio is the geometric mean over the roads driven, each road counting alike, and says nothing
of a road not driven. The unit is the round, one drive over every road: what a round's roads share (warmth, wind, the
driver) so stays in the error. A round that lacks a road is left out, or the roads would not count alike.
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
    change. Returns (…, rounds), and (rounds,) places among the n.
    """
    labels = list(zip(np.asarray(after, bool).tolist(), number, strict=True))
    member = np.array([[label == name for name in dict.fromkeys(labels)] for label in labels])
    of_road = dummies(road).astype(int)
    counts = of_road.T @ member
    whole = np.all(counts > 0, axis=0)
    share = member[:, whole] / (of_road @ counts[:, whole]) / len(counts)
    return np.asarray(logs, float) @ share, member[:, whole].argmax(axis=0)


def p_roads_differ(roads: Sequence[Student]) -> Floats:
    """The p of Welch's F (1951) that the roads' own contrasts, two or more, of passes alone, have one ratio in common.

    A large p does not say that they agree. Cochran's Q with the weights estimated from few passes finds differences
    that are not there; Welch's F is that Q with the few degrees of freedom taken into account, his t squared for two
    roads. Rounds that their roads share make it cautious.
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
    """The ratio of ratios, rough roads (one, or over all) over the smooth one, and what that leaves as theirs.

    Passes alone, single sets. What acts on every road alike (box, tyres, weather, day) cancels in it, and so does what
    the part does on the smooth road. Errors add in squares, degrees of freedom by Welch and Satterthwaite: rounds that
    both share make it cautious. No reading rests on a large p: "rough moved more" names what is left of the change as
    the rough roads' own; "moved alike" says that the smooth road moved the same way and the rough ones are not shown to
    have moved more, so that the part is not named as the cause (which of the two it was, another drive must tell);
    "moved apart" that both moved, in opposite ways, so that what acts on every road alike made less of the rough ones';
    "smooth held still" that its change is held inside the margin.
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
