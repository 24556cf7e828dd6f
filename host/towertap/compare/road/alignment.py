"""Which metre of road a moment of a pass belongs to, found by the road's own fingerprint; pure functions on arrays.

A fingerprint is the logarithm of the mean square of vertical acceleration over short cells of time. The same road gives
nearly the same fingerprint in every pass, stretched by the speed driven. Correlation optimised warping (Nielsen,
Carstensen, Smedsgaard 1998, doi:10.1016/S0021-9673(98)00021-1) stretches it back: the pass is cut into segments, each
of which may cover more or fewer cells of a template, and dynamic programming finds the best chain of adjoining
segments. The score is the log likelihood ratio of cells that share a road, correlated SHARED, against cells that do
not. Gaps, and road driven by only one of the two, therefore weigh nothing. Neighbouring segments of very different
speed are penalised. Neither the offset nor the mean speed need be known.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import fmean
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.signals.fir import one_thread
from towertap.words.phrases import some

Array = NDArray[np.float64]

SEGMENT = 20
"""Cells per segment; the speed relative to the template is constant within one."""
ADVANCES = np.arange(11, 38)
"""Template cells that a segment may cover: 0.55 to 1.85 times the template's speed."""
STEP_REACH = 5
"""Neighbouring segments differ by at most this many cells in their advance."""
STEP_SPREAD, SPEED_SPREAD = 0.08, 0.25
"""Standard deviations of the logarithm of speed: from segment to segment, and of a pass relative to the template."""
SHARED = 0.5
"""Correlation, cell by cell, that the score assumes for one road; passes with much less are rejected."""
INDEPENDENT = 0.7
"""Share of cells that count as independent, since neighbours are correlated."""
CLIP = 3.0
"""A fingerprint's standard scores are clipped here: a single bang is not the road."""
OVERHANG = 0.25
"""A pass may begin before the template or end after it by this fraction of its own length."""
REFERENCES = 3
"""This many passes are tried as the reference, since one may be of another road."""
LEAST_OVERLAP_S = 4.0
"""A pass that shares less with the others is not aligned."""
TELLING_OVERLAP_S = 8.0
"""A pass that shares this much and still does not fit may well be of another road."""
LEAST_QUALITY = 0.5
ABOVE_CHANCE = 0.15
"""An aligned pass has at least the first as its quality, and exceeds the chance level of its road by the second."""


@dataclass(frozen=True, eq=False)
class Warp:
    """A monotone, smooth map from the cells of a pass to those of a template: `places` (n,) at the `knots` (n,)."""

    knots: Array
    places: Array

    @cached_property
    def _curve(self) -> Callable[[Array], Array]:
        curve: Callable[[Array], Array] = scipy.interpolate.PchipInterpolator(self.knots, self.places)
        return curve

    def __call__(self, cells: NDArray[np.floating]) -> Array:
        """Places (n,) of cells (n,), extrapolated at the first and last speed beyond the knots."""
        speeds = np.diff(self.places) / np.diff(self.knots)
        inside = np.clip(cells, self.knots[0], self.knots[-1])
        beyond = np.where(cells < inside, speeds[0], speeds[-1]) * (cells - inside)
        return self._curve(inside) + beyond


@dataclass(frozen=True)
class PassAlignment:
    """How one pass fits its road's fingerprint.

    `quality` is the correlation of its fingerprint, warped to all other passes over the road, with those of the other
    side: each side may have driven a road of its own. `chance` is what the same search finds with the others reversed,
    where there is nothing to find. `speed` is its mean speed as a multiple of the reference pass's, `overlap_s` the
    length that it shares with the others.
    """

    capture: str
    quality: float
    chance: float
    speed: float
    overlap_s: float
    aligned: bool


@dataclass(frozen=True)
class RoadAlignment:
    """The passes over one road on one coordinate, the time of the pass `reference`.

    `places` is the number of stretches of road, one second of the reference long, that every pass covers. `failure`
    says why they cannot be used, None if they can.
    """

    road: str
    reference: str
    places: int
    failure: str | None
    passes: tuple[PassAlignment, ...]

    @property
    def not_one_road(self) -> str | None:
        """Why these passes may not be of one road: most of them do not fit, although they are long enough."""
        misfits = [drive for drive in self.passes if not drive.aligned and drive.overlap_s >= TELLING_OVERLAP_S]
        if len(self.passes) < 3 or 2 * len(misfits) <= len(self.passes):
            return None
        return f"these may not be one road: {len(misfits)} of {len(self.passes)} passes do not fit the others"


def align(
    road: str, names: Sequence[str], prints: Sequence[Array], is_after: Sequence[bool], cell_s: float
) -> tuple[RoadAlignment, tuple[Warp, ...]]:
    """Bring two or more passes onto the coordinate of the one with the most typical length.

    One fingerprint (n,) per pass, in cells of `cell_s`. If some do not fit, another reference is tried.
    """
    lengths = np.array([np.isfinite(own).sum() for own in prints])
    unusual = abs(lengths - np.median(lengths))  # ties by name, so that swapping the sides changes nothing
    order = sorted(range(len(names)), key=lambda i: (unusual[i], names[i]))
    tried = []
    for reference, second in zip(order[:REFERENCES], order[1:] + order[:1], strict=False):
        with one_thread():
            passes, warps = _aligned_to(reference, second, names, prints, is_after, cell_s)
        tried.append((RoadAlignment(road, names[reference], 0, _failure(passes), passes), warps))
        if tried[-1][0].failure is None:
            return tried[-1]
    return max(tried, key=lambda result: sum(drive.quality for drive in result[0].passes if drive.aligned))


class _Fit(NamedTuple):
    """How one pass fits the others: its warp, and what `PassAlignment` says; `compared_s` is shared with its rivals."""

    warp: Warp
    quality: float
    chance: float
    overlap_s: float
    compared_s: float


def _aligned_to(
    reference: int, second: int, names: Sequence[str], prints: Sequence[Array], is_after: Sequence[bool], cell_s: float
) -> tuple[tuple[PassAlignment, ...], tuple[Warp, ...]]:
    """All passes on the coordinate of one of them: first each on that one, then each on all the others together.

    The others are warped to the reference, so they would agree with one of another road, too. Whether it fits is
    therefore judged on the coordinate of a `second` pass.
    """
    first, on_second = ([find_warp(own, prints[to]) for own in prints] for to in (reference, second))
    fits = [_fit(i, prints, first, is_after, cell_s) for i in range(len(prints))]
    least = max(LEAST_QUALITY, fmean(fit.chance for fit in fits) + ABOVE_CHANCE)

    def is_aligned(fit: _Fit) -> bool:
        return fit.quality >= least and fit.compared_s >= LEAST_OVERLAP_S

    judged = _fit(reference, prints, on_second, is_after, cell_s)
    if not is_aligned(judged):
        fits[reference] = judged._replace(warp=fits[reference].warp)
    passes = tuple(
        PassAlignment(
            capture=name,
            quality=fit.quality,
            chance=fit.chance,
            speed=float(np.median(np.diff(fit.warp.places) / np.diff(fit.warp.knots))),
            overlap_s=fit.overlap_s,
            aligned=is_aligned(fit),
        )
        for name, fit in zip(names, fits, strict=True)
    )
    return passes, tuple(fit.warp for fit in fits)


def _fit(i: int, prints: Sequence[Array], first: Sequence[Warp], is_after: Sequence[bool], cell_s: float) -> _Fit:
    """Pass `i` on all the others together, which the warps `first` bring onto one coordinate."""
    rest = [j for j in range(len(prints)) if j != i]
    others, start = _together([(prints[j], first[j]) for j in rest])
    warp, backwards = find_warp(prints[i], others), others[::-1]
    chance, _ = agreement(prints[i], find_warp(prints[i], backwards), backwards)
    across = [j for j in rest if is_after[j] != is_after[i]] or rest
    other_side, side_start = _together([(prints[j], first[j]) for j in across])
    quality, compared = agreement(prints[i], Warp(warp.knots, warp.places + start - side_start), other_side)
    overlap = agreement(prints[i], warp, others)[1]
    on_coordinate = Warp(warp.knots, warp.places + start)
    return _Fit(on_coordinate, quality, chance, float(overlap.sum() * cell_s), float(compared.sum() * cell_s))


def _failure(passes: Sequence[PassAlignment]) -> str | None:
    lost = [drive.capture for drive in passes if not drive.aligned]
    if lost and len(passes) < 3:
        return "two passes are too few to be aligned"  # either may be of another road
    return f"the road's fingerprint is not found again in {some(lost)}" if lost else None


def _together(warped: Sequence[tuple[Array, Warp]]) -> tuple[Array, int]:
    """The mean of some fingerprints on the coordinate that their warps lead to, and the place where that starts."""
    places = [warp(np.arange(own.size) + 0.5) for own, warp in warped]
    start = math.floor(min(at[0] for at in places))
    grid = np.arange(start, math.ceil(max(at[-1] for at in places))) + 0.5
    rows = np.array(
        [np.interp(grid, at, own, left=np.nan, right=np.nan) for (own, _), at in zip(warped, places, strict=True)]
    )
    present = np.isfinite(rows)
    counts = present.sum(axis=0)
    sums = np.where(present, rows, 0.0).sum(axis=0)
    return standard_scores(np.divide(sums, counts, out=np.full(grid.size, np.nan), where=counts > 0)), start


def agreement(own: Array, warp: Warp, template: Array) -> tuple[float, NDArray[np.bool_]]:
    """Correlation of a warped fingerprint (n,) with a template (m,), or 0, and the cells (n,) that both hold."""
    at = warp(np.arange(own.size) + 0.5) - 0.5
    other = np.interp(at, np.arange(template.size), template, left=np.nan, right=np.nan)
    shared = np.isfinite(own) & np.isfinite(other)
    x, y = own[shared], other[shared]
    is_defined = shared.sum() > 1 and min(np.ptp(x), np.ptp(y)) > 0
    return float(np.corrcoef(x, y)[0, 1]) if is_defined else 0.0, shared


def fingerprint(mean_squares: Array) -> Array:
    """Standard scores (n,) of the logarithm of mean squares (n,); NaN and zero become NaN."""
    return standard_scores(np.log(np.where(mean_squares > 0, mean_squares, np.nan)))


def standard_scores(values: Array) -> Array:
    """Values (n,) less their mean, over their standard deviation, clipped at CLIP; NaN stays NaN."""
    present = values[np.isfinite(values)]
    spread = present.std() if present.size else 0.0
    scores: Array = np.clip((values - present.mean()) / spread, -CLIP, CLIP) if spread > 0 else 0.0 * values
    return scores


def find_warp(fingerprint: Array, template: Array) -> Warp:
    """The warp of one fingerprint (n,) onto another (m,), both NaN where nothing is known."""
    count = -(-fingerprint.size // SEGMENT)
    segments = np.full(count * SEGMENT, np.nan)
    segments[: fingerprint.size] = fingerprint
    pad = int(OVERHANG * segments.size) + ADVANCES[-1]
    scores = _scores(segments.reshape(count, SEGMENT), np.pad(template, pad, constant_values=np.nan))
    advances, end = _best_chain(scores)
    places = end - pad - np.append(np.cumsum(advances[::-1])[::-1], 0)
    return Warp(np.arange(count + 1.0) * SEGMENT, places.astype(float))


def _scores(segments: Array, template: Array) -> NDArray[np.float32]:
    """The score of each segment (s, SEGMENT) at each advance from each place of the template (m,): (s, advances, m).

    For standard scores x and r of cells that both hold, −½ ln(1 − ρ²) − (ρ²x² − 2ρxr + ρ²r²) / 2(1 − ρ²). That is a sum
    of products of the two, so a matrix product over the cells of a segment.
    """
    rho, k = SHARED, 0.5 / (1 - SHARED**2)
    is_own, is_template = np.isfinite(segments), np.isfinite(template)
    x, r = np.nan_to_num(segments), np.nan_to_num(template)
    constant = -0.5 * np.log(1 - rho**2) - k * rho**2 * x**2
    left = np.hstack([is_own * constant, is_own, 2 * k * rho * x]).astype(np.float32)
    right = np.stack([is_template, -k * rho**2 * r**2, r]).astype(np.float32)
    scores = np.zeros((len(segments), ADVANCES.size, template.size), np.float32)
    for level, advance in enumerate(ADVANCES):
        cells = ((np.arange(SEGMENT) + 0.5) * advance / SEGMENT).astype(int)
        starts = template.size - int(advance)
        covered = np.lib.stride_tricks.sliding_window_view(right, starts, axis=1)[:, cells]
        scores[:, level, :starts] = left @ covered.reshape(3 * SEGMENT, starts)
    return INDEPENDENT * scores


def _best_chain(scores: NDArray[np.float32]) -> tuple[NDArray[np.int64], int]:
    """The advances (s,) of the best chain of segments, and the place where it ends."""
    count, levels, places = scores.shape
    speed = np.log(ADVANCES / SEGMENT).astype(np.float32)
    costs = 0.5 * ((speed - speed[:, None]) / STEP_SPREAD) ** 2
    reached = np.full_like(scores, -np.inf)  # best chain's score by segment, its advance, and the place where it ends
    for segment in range(count):
        if segment:
            best = np.full((levels, places), -np.inf, np.float32)
            for step in range(-STEP_REACH, STEP_REACH + 1):
                to = slice(max(0, -step), min(levels, levels - step))
                previous = slice(to.start + step, to.stop + step)
                cost = np.diagonal(costs, step)[:, None]
                np.maximum(best[to], reached[segment - 1, previous] - cost, out=best[to])
        else:
            best = np.repeat(-0.5 * (speed[:, None] / SPEED_SPREAD) ** 2, places, axis=1)
        best += scores[segment]
        for level, advance in enumerate(ADVANCES):
            reached[segment, level, advance:] = best[level, :-advance]
    level, end = (int(i) for i in np.unravel_index(np.argmax(reached[-1]), best.shape))
    chain, place = np.empty(count, int), end
    for segment in range(count - 1, -1, -1):
        chain[segment] = ADVANCES[level]
        place -= chain[segment]
        if segment:
            near = slice(max(0, level - STEP_REACH), level + STEP_REACH + 1)
            level = near.start + int(np.argmax(reached[segment - 1, near, place] - costs[level, near]))
    return chain, end
