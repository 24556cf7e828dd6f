"""Knocks at one level for both sides, and regular series; a short run of `heard_alike.py` through the detector."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.stats.hearing import heard_alike, regular_series, whole_pass

from tests.compare.stats import heard_alike as simulation


def test_the_loudest_pass_decides_at_each_place():
    heard, level_ms2 = heard_alike(
        peak_ms2=[[5.0, 5.0, 9.0], [9.0]],
        background_ms2=[[0.1, 0.1, 0.1], [0.1]],
        place=[[0, 1, 1], [1]],
        threshold_ms2=[[2.0, 2.0], [2.5, 8.0]],
    )
    assert level_ms2.tolist() == [2.5, 8.0]
    assert [of_pass.sum() for of_pass in heard] == [2, 1]


def test_the_backgrounds_share_of_a_peak_is_subtracted():
    quiet, loud = (heard_alike([[5.0]], [[level]], [[0]], [[4.9]])[0][0].sum() for level in (0.1, 1.0))
    assert (quiet, loud) == (1, 0)


def test_no_knocks_give_no_counts():
    heard, _ = heard_alike([[], []], [[], []], [[], []], [[2.0], [3.0]])
    assert [of_pass.sum() for of_pass in heard] == [0, 0]
    assert whole_pass(np.arange(11.0)) == pytest.approx(9)


@pytest.mark.parametrize("louder", [1.3, 1.6, 2.0])
def test_identical_impacts_on_a_louder_background_are_not_shown_different(louder):
    """300 sets of four and four from 24 passes of each: at most 5 % at one level, by the aim of this project;
    counting every knock found shows up to all of them."""
    row = simulation.different(louder, 0.3, 4, 300, 24)
    assert row["by place"][0] <= 0.05
    assert row["by pass"][0] <= 0.05
    assert row["found"][0] > row["by place"][0] + 0.05


@pytest.mark.parametrize(("spacing_m", "heard"), [(25, 0.9), (10, 0.7), (5, 0.6)])
def test_joints_are_found_with_their_spacing(spacing_m, heard):
    series, right = simulation.joints(spacing_m, heard, 3, 100)
    assert series == right
    assert right >= 0.95


def test_knocks_at_random_and_a_few_bumps_are_no_series():
    assert simulation.joints(0, 0, 20, 300)[0] <= 0.01
    draw = np.random.default_rng(1)
    for count in (5, 12):
        bumps = [draw.uniform(0, 800, count) for _ in range(200)]
        again = [[bump + 0.5 * draw.standard_normal(count) for _ in range(4)] for bump in bumps]
        assert np.mean([regular_series(passes) is not None for passes in again]) <= 0.01


def test_few_knocks_are_no_series():
    assert regular_series([[0.0, 10.0, 20.0, 30.0]]) is None
    assert regular_series([]) is None
