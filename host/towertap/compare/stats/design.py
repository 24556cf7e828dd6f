"""Which passes share an installation of the part, a day or a block, and what that leaves confounded.

The variance of a contrast with weights w is σ²_pass Σ w² + σ²_installation Σ_i W_i² + σ²_day Σ_d W_d², where W_i and
W_d are the sums of the weights in each installation and each day. Σ W_i² is 2 with one installation of each part, and
less if the design cancels some; Σ W_d² is 0 if every day holds both parts alike.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from towertap.compare.stats.contrast import dummies, weights

About = Literal["part", "part or day", "part or installation"]
Labels = Sequence[Hashable | None]

UNKNOWN = -1
SEVERAL = 3
"""With this many installations (days) of each part, part and installation (day) can be separated."""
WITHIN_DAY = 2 / 3
"""Or, for days, with this share of the contrast compared within days; one stray pass of a side's three is a third."""


@dataclass(frozen=True, eq=False)
class Design:
    """The passes of one road, or the rounds over all, as codes (n,); `block` is None unless blocks pair the parts.

    An unknown code is UNKNOWN. The two parts never share an installation's code.
    """

    after: NDArray[np.bool_]
    installation: NDArray[np.int64]
    day: NDArray[np.int64]
    block: NDArray[np.int64] | None = None

    @classmethod
    def of(cls, after: ArrayLike, installation: Labels, day: Labels, block: ArrayLike | None = None) -> Design:
        """From labels of any kind (n,), None for unknown; `after` (n,) is True for a pass after the change."""
        side = np.asarray(after, bool)
        labels = [
            None if label is None else (bool(part), label) for part, label in zip(side, installation, strict=True)
        ]
        return cls(side, codes(labels), codes(day), None if block is None else np.asarray(block))

    @cached_property
    def weights(self) -> NDArray[np.float64]:
        """Weights of the contrast, (n,)."""
        return weights(self.after, self.block)

    @cached_property
    def installation_coefficient(self) -> float:
        return coefficient(self.weights, self.installation)

    @cached_property
    def day_coefficient(self) -> float:
        return coefficient(self.weights, self.day)

    @property
    def installations(self) -> tuple[int, int]:
        """Installations before and after that matter: with at least half an even share of the side's passes."""
        return _carrying(self.installation[~self.after]), _carrying(self.installation[self.after])

    @property
    def days(self) -> tuple[int, int]:
        """Days before and after that matter."""
        return _carrying(self.day[~self.after]), _carrying(self.day[self.after])

    @cached_property
    def joint(self) -> bool:
        """Whether installations and days group the passes alike, so that only the sum of their variances shows."""
        if UNKNOWN in self.installation or UNKNOWN in self.day:
            return False
        pairs = np.unique(np.column_stack([self.installation, self.day]), axis=0)
        return len(pairs) == np.unique(self.installation).size == np.unique(self.day).size > 1

    @cached_property
    def cells(self) -> NDArray[np.int64]:
        """The cell of each pass: passes of one part, installation, day and block differ only as passes."""
        block = np.zeros(self.after.size, int) if self.block is None else self.block
        labels = np.column_stack([self.after, self.installation, self.day, block])
        return np.asarray(np.unique(labels, axis=0, return_inverse=True)[1]).ravel()

    def nuisance(self, *further: NDArray[np.int64]) -> NDArray[Any]:
        """The model's columns for part, blocks and `further` codes, (n, k)."""
        blocks = [] if self.block is None else [dummies(self.block)]
        ones = np.ones((self.after.size, 1))
        return np.column_stack([ones, self.after, *blocks, *(dummies(code) for code in further)])


def codes(labels: Labels) -> NDArray[np.int64]:
    """Numbers from 0 in order of first appearance, UNKNOWN for None."""
    numbers: dict[Hashable, int] = {}
    return np.array([UNKNOWN if label is None else numbers.setdefault(label, len(numbers)) for label in labels], int)


def coefficient(share: NDArray[np.float64], code: NDArray[np.int64]) -> float:
    """Σ over the groups of the squared sum of their weights; passes of unknown group count in the worst way.

    That is, all unknown passes of a side in one group: the one already furthest to that side, or one of their own.
    """
    known = code != UNKNOWN
    sums = np.append(np.bincount(code[known], share[known]) if known.any() else [], [0.0, 0.0])
    for sign in (1, -1):
        lost = share[~known & (sign * share > 0)].sum()
        furthest = int(np.argmax(sign * sums))
        sums[furthest] += lost
    return float((sums**2).sum())


@dataclass(frozen=True)
class Overlap:
    """How the part overlaps with what changed along with it, on one road.

    `within_day` is the share (0 to 1) of the contrast that compares passes of one day: Σ over days of the smaller of
    the two parts' shares of passes there; a pass of unknown day is never within one. Numbers and coefficients are those
    of `Design`; the unknown installations (days) of a side count as one. `order_lean` is the mean position in the
    driving order after less before, from 0 for the first pass to 1 for the last: a drift of x % from first to last adds
    that fraction of x to the ratio (0.5 for all of one part first, 0 for A B B A). None if a time is unknown.
    """

    within_day: float
    installations: tuple[int, int]
    days: tuple[int, int]
    installation_coefficient: float
    day_coefficient: float
    order_lean: float | None

    @property
    def about(self) -> About:
        """What a difference on these drives may come from, by the design alone."""
        if self.within_day < WITHIN_DAY and min(self.days) < SEVERAL:
            return "part or day"
        return "part" if min(self.installations) >= SEVERAL else "part or installation"


def overlap(design: Design, order: Sequence[float | None] | None = None) -> Overlap:
    """Describe a design; `order` (n,) is a start time or number per pass, None if unknown."""
    after, weights_of_passes = design.after, design.weights
    places = None
    if order is not None and None not in order:
        places = np.argsort(np.argsort(np.asarray(order), kind="stable"), kind="stable") / max(len(order) - 1, 1)
    shares = [_shares(design.day[side]) for side in (~after, after)]
    return Overlap(
        within_day=float(sum(min(part, shares[1].get(day, 0.0)) for day, part in shares[0].items() if day != UNKNOWN)),
        installations=design.installations,
        days=design.days,
        installation_coefficient=design.installation_coefficient,
        day_coefficient=design.day_coefficient,
        order_lean=None if places is None else float(weights_of_passes @ places),
    )


def _shares(code: NDArray[np.int64]) -> dict[int, float]:
    values, counts = np.unique(code, return_counts=True)
    return dict(zip(values.tolist(), (counts / code.size).tolist(), strict=True))


def _carrying(code: NDArray[np.int64]) -> int:
    """Number of groups with at least half an even share of the passes, so that a stray pass does not count."""
    shares = np.array(list(_shares(code).values()))
    return int((shares >= 0.5 / shares.size).sum())
