"""What is rough: the limit that the smooth road sets, and the places of a rough road that lie above it in all passes.

A place is rough where all passes together are over the limit, the same in every pass and by no part's own values, so
that choosing does not select on the outcome. Windows that each pass picks for itself would: newly kept ones are mild,
so a true change of 10 % showed as 8 % where 87 % of the windows were kept, and as under 6 % where 58 % were.
Where too few are rough, a road rests on all places that every pass covers: whole passes are not the same road where
a stop is cut out of some. Only where passes cannot be aligned it rests on whole passes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import Pass
from towertap.compare.road.places import Places
from towertap.compare.stats.bursts import bursts
from towertap.errors import AnalysisError

Basis = Literal["rough places", "all places that every pass covers", "whole passes"]
BASES: tuple[Basis, ...] = get_args(Basis)

FEWEST_PLACES = 5
"""With fewer rough places than these a finding rests on all places."""


QUANTILE = 0.95
"""Of the smooth road's windows: the roughness limit."""


@dataclass(frozen=True)
class RoughnessLimit:
    """The limit of one metric: the QUANTILE of the smooth road's `windows` windows, pooled over both parts."""

    metric: str
    value: float
    windows: int


@dataclass(frozen=True)
class PassValue:
    """One pass in one metric on one road.

    `places` are the road's (its own windows of 1 s where it is not cut into places), `rough_places` those above the
    limit; `whole` is the value over the whole pass, `value` the one that the finding rests on.
    """

    capture: str
    pass_number: int | None
    places: int
    rough_places: int
    whole: float
    value: float


@dataclass(frozen=True, eq=False)
class RoughPlaces:
    """The rough places of one road in one metric: `chosen` (places,) is True at those that findings rest on.

    By pass, `at` holds the levels there and `over` the one over all of them; `share` is how many of the road's places
    are rough, 0 to 1. `bursts` are rough places left out because one pass alone was loud there, and which passes that
    were. Where `warning` says why too few are rough, all places stand in, or whole passes where there are none.
    """

    metric: str
    chosen: NDArray[np.bool_]
    at: dict[str, NDArray[np.float64]]
    over: dict[str, float]
    share: float
    bursts: tuple[int, tuple[str, ...]]
    warning: str | None

    @property
    def basis(self) -> Basis:
        """What values by these places rest on."""
        return BASES[0] if self.warning is None else BASES[1] if self.over else BASES[2]

    def value(self, drive: Pass) -> PassValue:
        """One pass's value over the rough places."""
        whole, number = whole_value(drive, self.metric), drive.conditions.pass_number
        if not self.over:
            return PassValue(drive.name, number, drive.n_windows, drive.n_windows, whole, whole)
        return PassValue(drive.name, number, self.chosen.size, self.at[drive.name].size, whole, self.over[drive.name])

    def values(self, passes: Sequence[Pass]) -> NDArray[np.float64]:
        """What the values of some passes rest on, places or windows, joined to one array (n,)."""
        if not self.over:
            return window_values(passes, self.metric)
        return np.concatenate([self.at[drive.name] for drive in passes])


def roughness_limit(passes: Sequence[Pass], metric: str) -> RoughnessLimit:
    """The limit of one metric from the smooth road's `passes`; AnalysisError where they have none."""
    values = window_values(passes, metric)
    if not values.size:
        raise AnalysisError(f"no window of the smooth road has a {metric}: the roughness limit needs a sound pass")
    return RoughnessLimit(metric, float(np.quantile(values, QUANTILE)), values.size)


def window_values(passes: Sequence[Pass], metric: str) -> NDArray[np.float64]:
    """The windows of some passes in one metric, joined to one array (n,); windows without a value drop."""
    values = np.concatenate([np.empty(0), *(drive.windows[metric] for drive in passes)])
    return values[np.isfinite(values)]


def whole_value(drive: Pass, metric: str) -> float:
    """One metric over a whole pass; AnalysisError where it is nought or there is no window."""
    whole = drive.over_windows(metric)
    if not whole > 0:
        raise AnalysisError(
            f"capture '{drive.name}' has no {metric} to compare "
            f"({'zero throughout' if drive.n_windows else 'no window'}): leave the capture or the metric out"
        )
    return whole


def rough_places(places: Places, metric: str, limit: float) -> RoughPlaces:
    """The places where all passes together, by geometric mean, are over the limit, whatever was fitted or when.

    All places where these are too few. Bursts, where one pass alone is far louder than all others, are left out, in
    all passes alike.
    """
    if places.alignment.warning is not None:
        return whole_passes(metric, places.alignment.warning)
    levels = places.levels(metric)
    rough, warning = is_rough(levels, limit), None
    share = float(rough.mean())
    if rough.sum() < FEWEST_PLACES:
        warning = f"only {rough.sum()} of {rough.size} places are over the roughness limit"
        rough = np.ones(rough.size, bool)
    burst = bursts(levels[:, rough])
    chosen = rough.copy()
    chosen[rough] = burst.kept
    return RoughPlaces(
        metric=metric,
        chosen=chosen,
        at={drive.name: row[chosen] for drive, row in zip(places.passes, levels, strict=True)},
        over=places.over(metric, chosen),
        share=share,
        bursts=(int((~burst.kept).sum()), tuple(places.passes[number].name for number in burst.named)),
        warning=warning,
    )


def whole_passes(metric: str, why: str) -> RoughPlaces:
    """No places to rest on, and why."""
    return RoughPlaces(metric, np.zeros(0, bool), {}, {}, 1.0, (0, ()), why)


def is_rough(levels: NDArray[np.float64], limit: float) -> NDArray[np.bool_]:
    """Which places (m,) are over the limit by the geometric mean of the passes' levels (n, m) there."""
    if not levels.size:
        return np.zeros(0, bool)
    rough: NDArray[np.bool_] = np.exp(np.log(levels).mean(axis=0)) > limit
    return rough
