"""Roughness: the limit, the value of a pass, and places that all passes choose together."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.road.places import FEWEST_PLACES, find_places, roughness_limit, whole_value, window_values
from towertap.compare.road.rough import is_rough
from towertap.compare.stats.contrast import contrast
from towertap.errors import AnalysisError

from tests.compare import burst_rates


@pytest.fixture(scope="module")
def places(make):
    return find_places(make.driven(1).of("lane"))


def test_the_limit_is_the_quantile_of_the_smooth_roads_windows_of_both_parts(make):
    smooth = [
        make.one_pass({"jerk_z": [1.0, 2, 3]}, "before", "bypass", 1),
        make.one_pass({"jerk_z": [10.0, 20, np.nan]}, "after", "bypass", 1),
    ]
    limit = roughness_limit(smooth, "jerk_z")
    assert (limit.value, limit.windows) == (pytest.approx(18.0), 5)  # between 10 and 20, at 0.95 · 4 of the ranks


def test_a_smooth_road_without_a_window_sets_no_limit(make):
    with pytest.raises(AnalysisError, match="no window of the smooth road has a jerk_z"):
        roughness_limit([make.one_pass({"jerk_z": [np.nan]}, "before", "bypass", 1)], "jerk_z")


def test_a_whole_value_is_the_energy_mean_of_the_windows(make):
    drive = make.one_pass({"jerk_z": [1.0, 3, 4, 2]}, "before", "quarry-lane", 1)
    assert whole_value(drive, "jerk_z") == pytest.approx(np.sqrt((1 + 9 + 16 + 4) / 4))


@pytest.mark.parametrize("values", [[0.0, 0.0], [np.nan, np.nan]])
def test_a_pass_without_a_value_is_refused_by_name(make, values):
    with pytest.raises(AnalysisError, match=r"quarry-lane-rubber-2.*leave"):
        whole_value(make.one_pass({"jerk_z": values}, "before", "quarry-lane", 2), "jerk_z")


def test_places_are_rough_by_the_geometric_mean_of_all_passes():
    """By hand: the second place is over 2 in one pass alone, and its mean, root 3.6, is not."""
    assert is_rough(np.array([[4.0, 1.0, 3.0], [2.0, 3.6, 2.0]]), 2.0).tolist() == [True, False, True]


def test_a_pass_value_is_the_energy_mean_over_the_rough_places_the_same_in_every_pass(make, places):
    levels = places.levels("jerk_z")
    limit = float(np.median(levels))
    rough = places.rough("jerk_z", limit)
    together = np.exp(np.log(levels).mean(axis=0)) > limit
    assert rough.basis == "rough places"
    assert rough.share == together.mean()
    for drive, pass_levels in zip(places.passes, levels, strict=True):
        value = rough.value(drive)
        assert (value.places, value.rough_places) == (together.size, together.sum())
        assert value.value == pytest.approx(make.rms(pass_levels[together]))
        assert value.whole == whole_value(drive, "jerk_z")
    assert rough.values(places.passes[:2]) == pytest.approx(levels[:2, together].ravel())


def test_with_too_few_rough_places_values_rest_on_all_that_every_pass_covers(make, places):
    levels = places.levels("jerk_z")
    means = np.sort(np.exp(np.log(levels).mean(axis=0)))
    rough = places.rough("jerk_z", means[-FEWEST_PLACES])
    assert rough.whole_because == f"only {FEWEST_PLACES - 1} of {means.size} places are over the roughness limit"
    assert rough.basis == "all places that every pass covers"
    assert rough.share == pytest.approx((FEWEST_PLACES - 1) / means.size)
    value = rough.value(places.passes[0])
    assert value.value == pytest.approx(make.rms(levels[0, rough.chosen]))
    assert rough.chosen.sum() >= levels.shape[1] - rough.bursts
    assert rough.values(places.passes[:1]) == pytest.approx(levels[0, rough.chosen])


@pytest.mark.parametrize(("level", "share", "shows"), [(30.0, 0.87, 0.08), (20.0, 0.58, 0.06)])
def test_windows_chosen_by_each_pass_would_hide_part_of_a_change(make, level, share, shows):
    """Why places are chosen together: the bias at the head of `rough.py`, of a true change of 10 % in 120 sets."""
    shares, ratios = [], []
    for seed in range(120):
        drives = make.invented(seed, ratio=1.1, roads={"lane": level})
        limit = roughness_limit(drives.of("bypass"), "jerk_z").value
        windows = {
            side: [window_values([drive], "jerk_z") for drive in drives.of("lane", side)]
            for side in ("before", "after")
        }
        kept = {side: [values[values > limit] for values in drives] for side, drives in windows.items()}
        shares += [(values > limit).mean() for side in windows.values() for values in side]
        ratios.append(contrast(*([make.rms(values) for values in side] for side in kept.values()), 0.1).ratio)
    assert np.mean(shares) == pytest.approx(share, abs=0.03)
    assert np.expm1(np.log(ratios).mean()) == pytest.approx(shows, abs=0.01)


def test_the_pass_with_a_burst_is_named_and_the_change_behind_it_shown(make):
    """From drives to findings: a short run of `burst_rates.py`."""
    for change, row in burst_rates.shares(burst_rates.rows(make, range(3))).items():
        shown = float(change != "no change")
        assert (row["with it"], row["with it, over all places"], row["the right one"]) == (shown, 0.0, 1.0)
