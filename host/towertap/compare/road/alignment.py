"""Which metre of road a moment of a pass belongs to, found by the road's own fingerprint; pure functions on arrays.

A fingerprint is the logarithm of the mean square of vertical acceleration over short cells of time. The same road gives
much the same fingerprint in every pass, stretched by the speed driven. It is stretched back by correlation optimised
warping (Nielsen, Carstensen, Smedsgaard 1998, doi:10.1016/S0021-9673(98)00021-1): the pass is cut into segments, each
of which may run over more or fewer cells of a template, and dynamic programming finds the best chain of segments that
touch. The score is the logarithm of the likelihood ratio of cells that share a road, correlated SHARED, against cells
that do not, so that gaps and road driven by one of the two only weigh nothing; neighbouring segments of very different
speed pay. Neither the offset nor the mean speed need be known.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy
from numpy.typing import NDArray

Array = NDArray[np.float64]

SEGMENT = 20
"""Cells a segment, within which the speed relative to the template is constant."""
ADVANCES = np.arange(11, 38)
"""Cells of the template that a segment may run over: 0.55 to 1.85 times the template's speed."""
STEP_REACH = 5
"""Neighbouring segments differ by at most so many cells in their advance."""
STEP_SPREAD, SPEED_SPREAD = 0.08, 0.25
"""Standard deviations of the logarithm of speed: from segment to segment, and of a pass against the template."""
SHARED = 0.5
"""Correlation, cell by cell, that the score supposes of one road; passes with much less are thrown out."""
INDEPENDENT = 0.7
"""Share of cells that count as independent, neighbours being alike."""
CLIP = 3.0
"""Standard scores of a fingerprint end here: a single bang is not the road."""
OVERHANG = 0.25
"""A pass may begin before the template or end after it by this part of its own length."""


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
        """Places (n,) of cells (n,), continued at the first and last speed beyond the knots."""
        speeds = np.diff(self.places) / np.diff(self.knots)
        inside = np.clip(cells, self.knots[0], self.knots[-1])
        beyond = np.where(cells < inside, speeds[0], speeds[-1]) * (cells - inside)
        return self._curve(inside) + beyond


@dataclass(frozen=True)
class PassAlignment:
    """How one pass fits its road's fingerprint.

    `quality` is the correlation of its fingerprint, warped to all other passes over the road, with those of the other
    side: the two sides may have driven a road each. `chance` is what the same search finds on all others run backwards,
    where there is nothing to find. `speed` is its mean
    speed as a multiple of the reference pass's, `overlap_s` how long of it the others share.
    """

    capture: str
    quality: float
    chance: float
    speed: float
    overlap_s: float
    aligned: bool


@dataclass(frozen=True)
class RoadAlignment:
    """The passes over one road brought onto one coordinate, the time of the pass `reference`.

    `places` is the number of stretches of road, one second of the reference long, that every pass covers. `warning`
    says why they cannot be used, None when they can.
    """

    road: str
    reference: str
    places: int
    warning: str | None
    passes: tuple[PassAlignment, ...]


def fingerprint(mean_squares: Array) -> Array:
    """Standard scores (n,) of the logarithm of mean squares (n,); NaN stays NaN, and so does nought."""
    return standard_scores(np.log(np.where(mean_squares > 0, mean_squares, np.nan)))


def standard_scores(values: Array) -> Array:
    """Values (n,) less their mean over their standard deviation, clipped at CLIP; NaN stays NaN."""
    there = values[np.isfinite(values)]
    spread = there.std() if there.size else 0.0
    scores: Array = np.clip((values - there.mean()) / spread, -CLIP, CLIP) if spread > 0 else 0.0 * values
    return scores


def find_warp(fingerprint: Array, template: Array) -> Warp:
    """The warp of one fingerprint (n,) onto another (m,), both NaN where there is nothing."""
    count = -(-fingerprint.size // SEGMENT)
    segments = np.full(count * SEGMENT, np.nan)
    segments[: fingerprint.size] = fingerprint
    pad = int(OVERHANG * segments.size) + ADVANCES[-1]
    scores = _scores(segments.reshape(count, SEGMENT), np.pad(template, pad, constant_values=np.nan))
    advances, end = _best_chain(scores)
    places = end - pad - np.append(np.cumsum(advances[::-1])[::-1], 0)
    return Warp(np.arange(count + 1.0) * SEGMENT, places.astype(float))


def _scores(segments: Array, template: Array) -> NDArray[np.float32]:
    """What each segment (s, SEGMENT) scores with each advance from each place of the template (m,): (s, advances, m).

    For standard scores x and r of cells that are both there, −½ ln(1 − ρ²) − (ρ²x² − 2ρxr + ρ²r²) / 2(1 − ρ²): a sum of
    products of one with the other, and so a matrix product over the cells of a segment.
    """
    rho, k = SHARED, 0.5 / (1 - SHARED**2)
    here, there = np.isfinite(segments), np.isfinite(template)
    x, r = np.nan_to_num(segments), np.nan_to_num(template)
    left = np.hstack([here * (-0.5 * np.log(1 - rho**2) - k * rho**2 * x**2), here, 2 * k * rho * x]).astype(np.float32)
    right = np.stack([there, -k * rho**2 * r**2, r]).astype(np.float32)
    scores = np.zeros((len(segments), ADVANCES.size, template.size), np.float32)
    for level, advance in enumerate(ADVANCES):
        cells = ((np.arange(SEGMENT) + 0.5) * advance / SEGMENT).astype(int)
        starts = template.size - int(advance)
        run_over = np.lib.stride_tricks.sliding_window_view(right, starts, axis=1)[:, cells]
        scores[:, level, :starts] = left @ run_over.reshape(3 * SEGMENT, starts)
    return INDEPENDENT * scores


def _best_chain(scores: NDArray[np.float32]) -> tuple[NDArray[np.int64], int]:
    """The advances (s,) of the best chain of segments, and the place where it ends."""
    count, levels, places = scores.shape
    speed = np.log(ADVANCES / SEGMENT).astype(np.float32)
    costs = 0.5 * ((speed - speed[:, None]) / STEP_SPREAD) ** 2
    reached = np.full_like(scores, -np.inf)  # best score of a chain by segment, its advance and the place where it ends
    for segment in range(count):
        if segment:
            best = np.full((levels, places), -np.inf, np.float32)
            for step in range(-STEP_REACH, STEP_REACH + 1):
                to = slice(max(0, -step), min(levels, levels - step))
                of = slice(to.start + step, to.stop + step)
                cost = np.diagonal(costs, step)[:, None]
                np.maximum(best[to], reached[segment - 1, of] - cost, out=best[to])
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
