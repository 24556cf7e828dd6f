"""Places: the same stretches of road in every pass, found by aligning all passes over a road with one another.

A place is chosen as rough by what all passes together found there, never by one part's own levels, so that choosing
does not select on the outcome.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import fmean

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import CELL_S, Pass, metric_of
from towertap.compare.road.alignment import (
    Array,
    PassAlignment,
    RoadAlignment,
    Warp,
    find_warp,
    fingerprint,
    standard_scores,
)
from towertap.signals.fir import one_thread

PLACE_S = 1.0
"""Length of a place, in time of the reference pass."""
COVERED = 0.9
"""Every pass covers this part of a place or more, or the place is left out."""
FINGERPRINT = "secondary_z"
"""The metric that gives the fingerprint: the wheel hop, which follows the road and hardly the part or the speed."""
MOST_CELLS = 2000
"""Longer passes are aligned by cells several times as long, so that time and memory stay bounded."""
REFERENCES = 3
"""So many passes are tried as the reference, for one of them may be of another road."""
LEAST_OVERLAP_S = 4.0
"""A pass that shares less with the others is not aligned."""
TELLING_OVERLAP_S = 8.0
"""A pass that shares so much and still does not fit may well be of another road."""
LEAST_QUALITY = 0.5
ABOVE_CHANCE = 0.15
"""An aligned pass has a quality of at least the first, and by the second above what chance gives on that road."""


@dataclass(frozen=True, eq=False)
class Places:
    """One road's passes on one coordinate: `alignment` says how well, `warps` maps each pass's cells to places.

    `prints` are the fingerprints, cells of `cell_s` from the start of each capture; `edges_s` (n, 2) are start and end
    of each place that every pass covers, in seconds of the reference pass, none where the alignment failed.
    """

    alignment: RoadAlignment
    passes: tuple[Pass, ...]
    prints: tuple[Array, ...]
    warps: tuple[Warp, ...]
    cell_s: float
    edges_s: Array

    def levels(self, metric: str) -> Array:
        """Values of a metric at each place in each pass, (passes, places); every metre of a place weighs the same."""
        return np.array(
            [
                at_stretches(drive, metric, self.bounds_s(number), self.edges_s)
                for number, drive in enumerate(self.passes)
            ]
        )

    def over(self, metric: str, chosen: NDArray[np.bool_]) -> dict[str, float]:
        """One value of each pass, by its name, over some of the places (n,) together."""
        return {
            drive.name: together(drive, metric, self.bounds_s(number), self.edges_s[chosen])
            for number, drive in enumerate(self.passes)
        }

    @property
    def not_one_road(self) -> str | None:
        """Why these passes may not be of one road at all: most of them do not fit, though they are long enough to."""
        passes = self.alignment.passes
        misfits = [drive for drive in passes if not drive.aligned and drive.overlap_s >= TELLING_OVERLAP_S]
        if len(passes) < 3 or 2 * len(misfits) <= len(passes):
            return None
        return f"these may not be one road: {len(misfits)} of {len(passes)} passes do not fit the others"

    def place_s(self, number: int, time_s: NDArray[np.floating]) -> Array:
        """Where pass `number` is at times (n,) from the start of its capture, in seconds of the reference pass.

        While it stands it stays where it is.
        """
        return self.warps[number](self.passes[number].driving_s(time_s) / self.cell_s) * self.cell_s

    def bounds_s(self, number: int) -> Array:
        """Start and end of each cell of pass `number`, (n, 2), in seconds of the reference pass."""
        return self._bounds_s[number]

    @cached_property
    def _bounds_s(self) -> list[Array]:
        bounds_s = []
        for number, drive in enumerate(self.passes):
            starts_s = drive.cells["start_s"]
            of_pass = self.place_s(number, np.column_stack([starts_s, starts_s + CELL_S]).ravel())
            bounds_s.append(np.maximum.accumulate(of_pass).reshape(-1, 2))
        return bounds_s


def find_places(passes: Sequence[Pass]) -> Places:
    """Align all passes over one road, two or more, and cut the road into places of PLACE_S."""
    longest_s = max(float(drive.driving_s(drive.cells["start_s"][-1:])[0]) for drive in passes)
    cell_s = CELL_S * math.ceil((longest_s + CELL_S) / CELL_S / MOST_CELLS)
    prints = tuple(fingerprint(_on_grid(drive, cell_s)) for drive in passes)
    lengths = np.array([np.isfinite(own).sum() for own in prints])
    tried: list[Places] = []
    unusual = abs(lengths - np.median(lengths))  # ties by name, so that it does not matter which side is called before
    for reference in sorted(range(len(passes)), key=lambda i: (unusual[i], passes[i].name))[:REFERENCES]:
        with one_thread():
            tried.append(_aligned_to(reference, tuple(passes), prints, cell_s))
        if tried[-1].alignment.warning is None:
            return _cut(tried[-1])
    return max(tried, key=lambda places: sum(drive.aligned for drive in places.alignment.passes))


def _on_grid(drive: Pass, cell_s: float) -> Array:
    """Mean squares of the fingerprint's metric in cells of `cell_s` of driving from the capture's start, NaN in gaps.

    The time that the vehicle stood is taken out: the road did not move on, and no warp may take it for slow driving.
    """
    cell = (drive.driving_s(drive.cells["start_s"] + CELL_S / 2) / cell_s).astype(int)
    sums, counts = np.bincount(cell, np.square(drive.cells[FINGERPRINT])), np.bincount(cell)
    return np.divide(sums, counts, out=np.full(sums.size, np.nan), where=counts > 0)


def _aligned_to(reference: int, passes: tuple[Pass, ...], prints: tuple[Array, ...], cell_s: float) -> Places:
    """All passes on the coordinate of one of them: first each on that one, then each on all others together."""
    first = [find_warp(own, prints[reference]) for own in prints]
    warps, fits = [], []
    for i, own in enumerate(prints):
        rest = [j for j in range(len(prints)) if j != i]
        others, start = _together([(prints[j], first[j]) for j in rest])
        warp = find_warp(own, others)
        backwards = others[::-1]
        chance, _ = _agreement(own, find_warp(own, backwards), backwards)
        across = [j for j in rest if passes[j].side != passes[i].side] or rest
        other_side, side_start = _together([(prints[j], first[j]) for j in across])
        quality, compared = _agreement(own, Warp(warp.knots, warp.places + start - side_start), other_side)
        fits.append((quality, compared * cell_s, _agreement(own, warp, others)[1] * cell_s, chance))
        warps.append(Warp(warp.knots, warp.places + start))
    least = max(LEAST_QUALITY, fmean(chance for *_, chance in fits) + ABOVE_CHANCE)
    aligned = tuple(
        PassAlignment(
            capture=drive.name,
            quality=quality,
            chance=chance,
            speed=float(np.median(np.diff(warp.places) / np.diff(warp.knots))),
            overlap_s=overlap_s,
            aligned=quality >= least and compared_s >= LEAST_OVERLAP_S,
        )
        for drive, warp, (quality, compared_s, overlap_s, chance) in zip(passes, warps, fits, strict=True)
    )
    lost = [drive.capture for drive in aligned if not drive.aligned]
    more = f" and {len(lost) - 2} more" if len(lost) > 2 else ""
    warning = f"the road's fingerprint is not found again in {', '.join(lost[:2])}{more}" if lost else None
    if lost and len(passes) < 3:
        warning = "two passes are too few to be aligned"  # either may be of another road
    alignment = RoadAlignment(passes[0].road, passes[reference].name, 0, warning, aligned)
    return Places(alignment, passes, prints, tuple(warps), cell_s, np.empty((0, 2)))


def _together(warped: Sequence[tuple[Array, Warp]]) -> tuple[Array, int]:
    """The mean of some fingerprints on the coordinate that their warps lead to, and the place where it starts."""
    places = [warp(np.arange(own.size) + 0.5) for own, warp in warped]
    start = math.floor(min(at[0] for at in places))
    grid = np.arange(start, math.ceil(max(at[-1] for at in places))) + 0.5
    rows = np.array(
        [np.interp(grid, at, own, left=np.nan, right=np.nan) for (own, _), at in zip(warped, places, strict=True)]
    )
    there = np.isfinite(rows)
    counts = there.sum(axis=0)
    sums = np.where(there, rows, 0.0).sum(axis=0)
    return standard_scores(np.divide(sums, counts, out=np.full(grid.size, np.nan), where=counts > 0)), start


def _agreement(own: Array, warp: Warp, template: Array) -> tuple[float, int]:
    """Correlation of a warped fingerprint (n,) with a template (m,), and over how many cells; 0 where there is none."""
    at = warp(np.arange(own.size) + 0.5) - 0.5
    other = np.interp(at, np.arange(template.size), template, left=np.nan, right=np.nan)
    both = np.isfinite(own) & np.isfinite(other)
    x, y = own[both], other[both]
    tells = both.sum() > 1 and min(np.ptp(x), np.ptp(y)) > 0
    return float(np.corrcoef(x, y)[0, 1]) if tells else 0.0, int(both.sum())


def _cut(places: Places) -> Places:
    """The same with the places that every pass covers."""
    bounds_s = [places.bounds_s(i) for i in range(len(places.passes))]
    start = math.ceil(max(bounds[0, 0] for bounds in bounds_s) / PLACE_S)
    count = max(0, math.floor(min(bounds[-1, 1] for bounds in bounds_s) / PLACE_S) - start)
    starts_s = (start + np.arange(count)) * PLACE_S
    edges_s = np.column_stack([starts_s, starts_s + PLACE_S])
    covered = [_integral(bounds, np.ones(len(bounds)), edges_s) >= COVERED * PLACE_S for bounds in bounds_s]
    edges_s = edges_s[np.all(covered, axis=0)]
    warning = None if len(edges_s) else "no second of road is covered by every pass"
    return replace(places, edges_s=edges_s, alignment=replace(places.alignment, places=len(edges_s), warning=warning))


def at_stretches(drive: Pass, metric: str, bounds_s: Array, stretches_s: Array) -> Array:
    """Values (m,) of a metric at stretches (m, 2) of the coordinate on which the pass's cells lie at `bounds_s` (n, 2).

    NaN where cells cover less than COVERED of a stretch.
    """
    cells, shares = _cells_of(bounds_s, stretches_s)
    with np.errstate(invalid="ignore"):  # a stretch without a cell has no value
        values = metric_of(metric).statistic.value(drive.kept[metric][:, cells], shares)
    covered = _integral(bounds_s, np.ones(len(bounds_s)), stretches_s)
    return np.where(covered >= COVERED * (stretches_s[:, 1] - stretches_s[:, 0]), values, np.nan)


def together(drive: Pass, metric: str, bounds_s: Array, stretches_s: Array) -> float:
    """One value of a metric over all of the stretches (m, 2), as `at_stretches` has each."""
    cells, shares = _cells_of(bounds_s, stretches_s)
    return float(metric_of(metric).statistic.value(drive.kept[metric][:, cells.ravel()], shares.ravel()))


def _cells_of(bounds_s: Array, stretches_s: Array) -> tuple[NDArray[np.int64], Array]:
    """For each stretch (m, 2) the cells (m, k) that may lie in it, and how much of each does, in cells (m, k)."""
    first = np.searchsorted(bounds_s[:, 1], stretches_s[:, 0], side="right")
    end = np.searchsorted(bounds_s[:, 0], stretches_s[:, 1], side="left")
    cells = first[:, None] + np.arange(max(1, (end - first).max(initial=0)))
    inside = np.minimum(cells, len(bounds_s) - 1)
    begin_s, end_s = bounds_s[inside, 0], bounds_s[inside, 1]
    overlap_s = np.minimum(end_s, stretches_s[:, 1:]) - np.maximum(begin_s, stretches_s[:, :1])
    return inside, np.where(cells < end[:, None], np.maximum(overlap_s, 0.0), 0.0) / CELL_S


def _integral(bounds: Array, values: Array, edges: Array) -> Array:
    """Integral over each of the stretches `edges` (m, 2) of `values` (n,) that hold within `bounds` (n, 2)."""
    upto = np.cumsum(values * (bounds[:, 1] - bounds[:, 0]))
    running = np.column_stack([np.append(0.0, upto[:-1]), upto]).ravel()
    at = np.interp(edges, bounds.ravel(), running)
    return at[:, 1] - at[:, 0]
