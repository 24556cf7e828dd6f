"""The same stretches of road in every pass, which of them are rough, and the value they give each pass.

With too few rough places, a road rests on everything that every pass covers: whole passes are not the same road once a
stop is cut out of some. A road rests on whole passes only if they cannot be aligned.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, Self, get_args

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import CELL_S, Pass, metric_of
from towertap.compare.road.alignment import Array, RoadAlignment, Warp, align, fingerprint
from towertap.compare.road.rough import bursts, is_rough
from towertap.errors import AnalysisError

Basis = Literal["rough places", "all places that every pass covers", "whole passes"]
BASES: tuple[Basis, ...] = get_args(Basis)

PLACE_S = 1.0
"""Length of a place, in time of the reference pass."""
COVERED = 0.9
"""A place is left out unless every pass covers at least this fraction of it."""
FINGERPRINT = "secondary_z"
"""The fingerprint's metric: the wheel hop, which follows the road and hardly depends on the part or the speed."""
MOST_CELLS = 2000
"""Longer passes are aligned by cells several times as long, which bounds time and memory."""
FEWEST_PLACES = 5
"""With fewer rough places, a finding rests on all places."""
QUANTILE = 0.95
"""Quantile of the smooth road's windows that is the roughness limit."""


@dataclass(frozen=True)
class RoughnessLimit:
    """The limit of one metric: the QUANTILE over `windows` windows of the smooth road, pooled over both parts."""

    metric: str
    value: float
    windows: int


@dataclass(frozen=True)
class PassValue:
    """One pass in one metric on one road.

    `places` are the road's (or the pass's own windows of 1 s, if the road has none), `rough_places` those above the
    limit. `whole` is the value over the whole pass, `value` the one that the finding rests on.
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

    By pass, `at` holds the levels there and `over` the level over all of them; `share` is the rough share of the road's
    places, 0 to 1. `bursts` are rough places left out because one pass alone was loud there, `loud_passes` those. If
    `whole_because` says why too few are rough, all places are used instead, or whole passes if there are none.
    """

    metric: str
    chosen: NDArray[np.bool_]
    at: dict[str, Array]
    over: dict[str, float]
    share: float
    bursts: int
    loud_passes: tuple[str, ...]
    whole_because: str | None

    @classmethod
    def none(cls, metric: str, because: str) -> Self:
        """No places to rest on, and the reason."""
        return cls(metric, np.zeros(0, bool), {}, {}, 1.0, 0, (), because)

    @property
    def basis(self) -> Basis:
        """What the values of these places rest on."""
        return BASES[0] if self.whole_because is None else BASES[1] if self.over else BASES[2]

    def value(self, drive: Pass) -> PassValue:
        """One pass's value over the rough places."""
        whole, number = whole_value(drive, self.metric), drive.conditions.pass_number
        if not self.over:
            return PassValue(drive.name, number, drive.n_windows, drive.n_windows, whole, whole)
        return PassValue(drive.name, number, self.chosen.size, self.at[drive.name].size, whole, self.over[drive.name])

    def values(self, passes: Sequence[Pass]) -> Array:
        """What some passes' values rest on, places or windows, joined into one array (n,)."""
        if not self.over:
            return window_values(passes, self.metric)
        return np.concatenate([self.at[drive.name] for drive in passes])


@dataclass(frozen=True, eq=False)
class Places:
    """One road's passes on one coordinate: `alignment` says how well, `warps` maps each pass's cells to places.

    `prints` are the fingerprints, in cells of `cell_s` from the start of each capture. `edges_s` (n, 2) are start and
    end of each place that every pass covers, in seconds of the reference pass; none if the alignment failed.
    """

    alignment: RoadAlignment
    passes: tuple[Pass, ...]
    prints: tuple[Array, ...]
    warps: tuple[Warp, ...]
    cell_s: float
    edges_s: Array

    def levels(self, metric: str) -> Array:
        """Values of a metric at each place in each pass, (passes, places); every metre of a place weighs the same."""
        pairs = zip(self.passes, self.bounds_s, strict=True)
        return np.array([at_stretches(drive, metric, bounds_s, self.edges_s) for drive, bounds_s in pairs])

    def over(self, metric: str, chosen: NDArray[np.bool_]) -> dict[str, float]:
        """One value per pass, by name, over some of the places (n,) together."""
        pairs = zip(self.passes, self.bounds_s, strict=True)
        return {drive.name: together(drive, metric, bounds_s, self.edges_s[chosen]) for drive, bounds_s in pairs}

    def rough(self, metric: str, limit: float) -> RoughPlaces:
        """The places where all passes together exceed the limit, whatever was fitted; all places if those are too few.

        Bursts, where one pass alone is far louder than all others, are left out of every pass.
        """
        if self.alignment.failure is not None:
            return RoughPlaces.none(metric, self.alignment.failure)
        levels = self.levels(metric)
        chosen, because = is_rough(levels, limit), None
        share = float(chosen.mean())
        if chosen.sum() < FEWEST_PLACES:
            count = f"only {chosen.sum()}" if chosen.any() else "none"
            because = f"{count} of {chosen.size} places are over the roughness limit"
            chosen = np.ones(chosen.size, bool)
        kept, loud = bursts(levels[:, chosen])
        chosen[chosen] = kept
        return RoughPlaces(
            metric=metric,
            chosen=chosen,
            at={drive.name: row[chosen] for drive, row in zip(self.passes, levels, strict=True)},
            over=self.over(metric, chosen),
            share=share,
            bursts=int((~kept).sum()),
            loud_passes=tuple(self.passes[number].name for number in loud),
            whole_because=because,
        )

    def place_s(self, number: int, time_s: NDArray[np.floating]) -> Array:
        """The position of pass `number` at times (n,) from its capture's start, in seconds of the reference pass.

        It does not move while the vehicle stands.
        """
        return self.warps[number](self.passes[number].driving_s(time_s) / self.cell_s) * self.cell_s

    def place_of(self, number: int, time_s: NDArray[np.floating]) -> NDArray[np.int64]:
        """The place number of pass `number` at times (n,), as in `place_s`; −1 outside all places."""
        at_s = self.place_s(number, time_s)
        place = np.searchsorted(self.edges_s[:, 0], at_s, side="right") - 1
        inside = (place >= 0) & (at_s < self.edges_s[np.maximum(place, 0), 1])
        return np.asarray(np.where(inside, place, -1))

    @cached_property
    def bounds_s(self) -> list[Array]:
        """Start and end of each cell of each pass, (n, 2), in seconds of the reference pass."""
        bounds_s = []
        for number, drive in enumerate(self.passes):
            starts_s = drive.cells["start_s"]
            pass_bounds_s = self.place_s(number, np.column_stack([starts_s, starts_s + CELL_S]).ravel())
            bounds_s.append(np.maximum.accumulate(pass_bounds_s).reshape(-1, 2))
        return bounds_s


def find_places(passes: Sequence[Pass]) -> Places:
    """Align two or more passes over one road, and cut it into places of PLACE_S that every pass covers."""
    longest_s = max(float(drive.driving_s(drive.cells["start_s"][-1:])[0]) for drive in passes)
    cell_s = CELL_S * math.ceil((longest_s + CELL_S) / CELL_S / MOST_CELLS)
    mean_squares = [_on_grid(drive, cell_s) for drive in passes]
    prints = tuple(map(fingerprint, mean_squares))
    names, is_after = [drive.name for drive in passes], [drive.side == "after" for drive in passes]
    alignment, warps = align(passes[0].road, names, prints, is_after, cell_s)
    places = Places(alignment, tuple(passes), prints, warps, cell_s, np.empty((0, 2)))
    return places if alignment.failure else _cut(places)


def _on_grid(drive: Pass, cell_s: float) -> Array:
    """Mean squares of the fingerprint's metric in cells of `cell_s` of driving from the capture's start, NaN in gaps.

    Standing time is taken out: the road did not move on, and no warp may take it for slow driving.
    """
    cell = (drive.driving_s(drive.cells["start_s"] + CELL_S / 2) / cell_s).astype(int)
    levels = metric_of(FINGERPRINT).of_windows(drive.kept[FINGERPRINT])
    sums, counts = np.bincount(cell, np.square(levels)), np.bincount(cell)
    return np.divide(sums, counts, out=np.full(sums.size, np.nan), where=counts > 0)


def _cut(places: Places) -> Places:
    bounds_s = places.bounds_s
    start = math.ceil(max(bounds[0, 0] for bounds in bounds_s) / PLACE_S)
    count = max(0, math.floor(min(bounds[-1, 1] for bounds in bounds_s) / PLACE_S) - start)
    starts_s = (start + np.arange(count)) * PLACE_S
    edges_s = np.column_stack([starts_s, starts_s + PLACE_S])
    covered = [_covered(bounds, edges_s) >= COVERED * PLACE_S for bounds in bounds_s]
    edges_s = edges_s[np.all(covered, axis=0)]
    failure = None if len(edges_s) else "no second of road is covered by every pass"
    return replace(places, edges_s=edges_s, alignment=replace(places.alignment, places=len(edges_s), failure=failure))


def at_stretches(drive: Pass, metric: str, bounds_s: Array, stretches_s: Array) -> Array:
    """Values (m,) of a metric at stretches (m, 2) of the coordinate on which the pass's cells lie at `bounds_s` (n, 2).

    NaN where cells cover less than COVERED of a stretch.
    """
    cells, shares = _cells_of(bounds_s, stretches_s)
    with np.errstate(invalid="ignore"):  # a stretch without a cell has no value
        values = metric_of(metric).statistic.value(drive.kept[metric][:, cells], shares)
    covered = _covered(bounds_s, stretches_s)
    return np.where(covered >= COVERED * (stretches_s[:, 1] - stretches_s[:, 0]), values, np.nan)


def together(drive: Pass, metric: str, bounds_s: Array, stretches_s: Array) -> float:
    """One value of a metric over all the stretches (m, 2) together, as in `at_stretches`."""
    cells, shares = _cells_of(bounds_s, stretches_s)
    return float(metric_of(metric).statistic.value(drive.kept[metric][:, cells.ravel()], shares.ravel()))


def _cells_of(bounds_s: Array, stretches_s: Array) -> tuple[NDArray[np.int64], Array]:
    """The cells (m, k) that may lie in each stretch (m, 2), and how much of each does, in cells (m, k)."""
    first = np.searchsorted(bounds_s[:, 1], stretches_s[:, 0], side="right")
    end = np.searchsorted(bounds_s[:, 0], stretches_s[:, 1], side="left")
    cells = first[:, None] + np.arange(max(1, (end - first).max(initial=0)))
    inside = np.minimum(cells, len(bounds_s) - 1)
    begin_s, end_s = bounds_s[inside, 0], bounds_s[inside, 1]
    overlap_s = np.minimum(end_s, stretches_s[:, 1:]) - np.maximum(begin_s, stretches_s[:, :1])
    return inside, np.where(cells < end[:, None], np.maximum(overlap_s, 0.0), 0.0) / CELL_S


def _covered(bounds_s: Array, stretches_s: Array) -> Array:
    """The length (m,) of each stretch (m, 2) that lies within `bounds_s` (n, 2)."""
    upto = np.cumsum(bounds_s[:, 1] - bounds_s[:, 0])
    running = np.column_stack([np.append(0.0, upto[:-1]), upto]).ravel()
    return np.diff(np.interp(stretches_s, bounds_s.ravel(), running), axis=1)[:, 0]


def roughness_limit(passes: Sequence[Pass], metric: str) -> RoughnessLimit:
    """The limit of one metric from the smooth road's `passes`; AnalysisError without any value."""
    values = window_values(passes, metric)
    if not values.size:
        raise AnalysisError(f"no window of the smooth road has a {metric}: the roughness limit needs a sound pass")
    return RoughnessLimit(metric, float(np.quantile(values, QUANTILE)), values.size)


def window_values(passes: Sequence[Pass], metric: str) -> Array:
    """The windows of some passes in one metric, joined into one array (n,); windows without a value are dropped."""
    values = np.concatenate([np.empty(0), *(drive.windows(metric) for drive in passes)])
    return values[np.isfinite(values)]


def whole_value(drive: Pass, metric: str) -> float:
    """One metric over a whole pass; AnalysisError if it is zero or there is no window."""
    whole = drive.over_windows(metric)
    if not whole > 0:
        raise AnalysisError(
            f"capture '{drive.name}' has no {metric} to compare "
            f"({'zero throughout' if drive.n_windows else 'no window'}): leave the capture or the metric out"
        )
    return whole
