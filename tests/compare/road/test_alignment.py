"""The alignment: its score against scipy's, its search against brute force, and its accuracy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from towertap.compare.road import alignment
from towertap.compare.road.alignment import ADVANCES, SEGMENT, align, find_warp, fingerprint, standard_scores
from towertap.demo.road import ROADS

from tests.compare import alignment_accuracy


def road(cells, seed=0):
    """A fingerprint of a road (cells,), neighbours correlated 0.5."""
    noise = np.random.default_rng(seed).standard_normal(cells + 1)
    return standard_scores(noise[1:] + 0.7 * noise[:-1])


def stretched(template, start, speed):
    """The fingerprint of a pass at a constant speed, to the end of the road, and the place of each of its cells."""
    at = np.arange(start + 0.5, template.size - 1, speed)
    return np.interp(at - 0.5, np.arange(template.size), template), at


def test_passes_at_70_to_130_percent_that_wander_are_within_half_a_second_of_road():
    """A shorter run of `alignment_accuracy.py`: 8 passes of the demo's car over its roughest road."""
    places, off = alignment_accuracy.errors(ROADS[0], 8, 25.0, seed=3)
    assert places.alignment.failure is None
    assert {drive.aligned for drive in places.alignment.passes} == {True}
    assert np.mean(np.abs(np.concatenate(off)) < 0.5) >= 0.95
    assert np.ptp([drive.speed for drive in places.alignment.passes]) > 0.3


def test_the_score_is_the_log_likelihood_ratio_of_scipys_normal_distributions():
    template, segment = road(200), road(SEGMENT, seed=1)
    template[60:70] = segment[3] = np.nan
    level = int(np.flatnonzero(ADVANCES == SEGMENT)[0])
    scores = alignment._scores(segment[None], template)[0, level]
    joint = stats.multivariate_normal(cov=[[1, alignment.SHARED], [alignment.SHARED, 1]])
    for start in (0, 50, 62, 170):
        pairs = np.column_stack([segment, template[start : start + SEGMENT]])
        pairs = pairs[np.isfinite(pairs).all(axis=1)]
        ratio = (joint.logpdf(pairs) - stats.norm.logpdf(pairs).sum(axis=1)).sum()
        assert scores[start] == pytest.approx(alignment.INDEPENDENT * ratio, abs=1e-3)


def test_the_best_chain_is_that_of_brute_force():
    rng = np.random.default_rng(5)
    scores = np.zeros((3, ADVANCES.size, 130), np.float32)
    for level, advance in enumerate(ADVANCES):
        scores[:, level, : 130 - advance] = 5 * rng.standard_normal((3, 130 - advance))
    speed = np.log(ADVANCES / SEGMENT)
    best = -np.inf
    for levels in np.ndindex(*[ADVANCES.size] * 3):
        if max(abs(np.diff(levels))) > alignment.STEP_REACH:
            continue
        starts = np.cumsum([0, *ADVANCES[list(levels)]])
        if starts[-1] >= 130:
            continue
        first = np.arange(130 - starts[-1])
        sums = sum(scores[i, level, first + starts[i]] for i, level in enumerate(levels))
        steps = (np.diff(speed[list(levels)]) / alignment.STEP_SPREAD) ** 2
        sums = sums - 0.5 * steps.sum() - 0.5 * (speed[levels[0]] / alignment.SPEED_SPREAD) ** 2
        if sums.max() > best:
            best, chain = sums.max(), (list(ADVANCES[list(levels)]), int(sums.argmax() + starts[-1]))
    advances, end = alignment._best_chain(scores)
    assert (advances.tolist(), end) == chain


@pytest.mark.parametrize("speed", [0.7, 1.0, 1.3])
@pytest.mark.parametrize("start", [0, 40])
def test_a_stretch_of_road_is_found_where_it_is(speed, start):
    template = road(400)
    shown, at = stretched(template, start, speed)
    placed = find_warp(shown, template)(np.arange(shown.size) + 0.5)
    assert np.mean(np.abs(placed - at) < 2) > 0.95
    assert np.all(np.diff(placed) > 0)


def test_a_gap_and_road_that_the_template_lacks_are_bridged():
    template = road(400)
    shown, at = stretched(template, 0, 1.1)
    shown[100:140] = np.nan
    placed = find_warp(shown, template[60:330])(np.arange(shown.size) + 0.5) + 60
    inside = (at > 60) & (at < 330)
    assert np.mean(np.abs(placed - at)[inside] < 3) > 0.95


@pytest.mark.parametrize("seed", [3, 6, 7])
def test_a_pass_over_another_road_is_named_even_if_all_others_are_warped_to_it_first(seed):
    """It comes first by name and is as long as the others, so it is the first reference to be tried."""
    rng = np.random.default_rng(seed)
    lane, names = road(140, seed), ["a stray", *"bcdefgh"]
    others = [standard_scores(lane + 0.6 * rng.standard_normal(lane.size)) for _ in names[1:]]
    alignment, _ = align("lane", names, [road(140, seed + 1000), *others], [name > "d" for name in names], 0.1)
    assert alignment.failure == "the road's fingerprint is not found again in a stray"
    assert alignment.reference != "a stray"


def test_a_fingerprint_ignores_the_level_and_keeps_gaps():
    squares = np.random.default_rng(2).lognormal(size=500)
    squares[10:20] = np.nan
    shown = fingerprint(squares)
    assert fingerprint(30 * squares) == pytest.approx(shown, nan_ok=True)
    assert np.isnan(shown[10:20]).all()
    assert (np.nanmean(shown), np.nanstd(shown)) == pytest.approx((0, 1), abs=0.02)
    assert not fingerprint(np.ones(50)).any()
