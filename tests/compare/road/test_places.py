"""Places: the same road in every pass, and error rates from drives over places to findings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from towertap.compare.road.places import find_places

from tests.compare import error_rates


@pytest.fixture(scope="module")
def passes(make):
    return make.driven(1).of("lane")


@pytest.fixture(scope="module")
def places(passes):
    return find_places(passes)


def test_a_place_holds_the_same_road_in_every_pass(places):
    """The road's level differs about twofold from place to place, the line driven by a few percent."""
    logs = np.log(places.levels("jerk_z"))
    assert places.alignment.places == logs.shape[1] >= 30
    levelled = logs - logs.mean(axis=1, keepdims=True)
    between = levelled.mean(axis=0).std()
    within = (levelled - levelled.mean(axis=0)).std()
    assert between > 0.2
    assert within < 0.1


def test_the_level_of_a_place_is_the_energy_over_its_stretch_of_road(make, places):
    """Against a sum over a grid of 1 ms, by numpy alone."""
    for number in (0, 5):
        cells = make.levels_of(places.passes[number])
        bounds_s = places.bounds_s[number]
        grid_s = np.arange(bounds_s[0, 0], bounds_s[-1, 1], 0.001)
        cell = np.clip(np.searchsorted(bounds_s[:, 0], grid_s, side="right") - 1, 0, len(bounds_s) - 1)
        values = cells["jerk_z"][cell]
        for (start_s, end_s), level in list(zip(places.edges_s, places.levels("jerk_z")[number], strict=True))[::7]:
            assert level == pytest.approx(make.rms(values[(grid_s >= start_s) & (grid_s < end_s)]), rel=5e-3)


def test_places_within_a_gap_of_one_pass_are_left_out_for_all(make, passes, places):
    cells = make.levels_of(passes[3])
    outside = (cells["start_s"] < 15) | (cells["start_s"] > 20)
    holed = make.of_cells(passes[3], {name: column[outside] for name, column in cells.items()})
    without = find_places([*passes[:3], holed, *passes[4:]])
    assert without.alignment.failure is None
    assert 4 <= places.alignment.places - without.alignment.places <= 8
    assert np.isfinite(without.levels("jerk_z")).all()


def test_a_pass_over_another_road_is_named(make, passes):
    stray = replace(make.driven(99).of("lane", "after")[0], path=passes[4].path)
    alignment = find_places([*passes[:4], stray, *passes[5:]]).alignment
    assert [drive.capture for drive in alignment.passes if not drive.aligned] == [stray.name]
    assert alignment.failure == f"the road's fingerprint is not found again in {stray.name}"


def test_two_passes_of_different_roads_are_too_few_to_say_which_is_wrong(make, passes):
    stray = make.driven(99).of("lane", "after")[0]
    assert find_places([passes[0], stray]).alignment.failure == "two passes are too few to be aligned"


@pytest.fixture(scope="module")
def rates(make):
    """A shorter run of `error_rates.py`."""
    return error_rates.rates(error_rates.contrasts(make, range(30), seconds=30))


def test_no_change_is_rarely_called_different_and_the_margin_rarely_equivalent(rates):
    assert rates["no change"]["different"] <= 0.05
    for name in ("at the margin", "at the margin, below"):
        assert rates[name]["equivalent"] <= 0.10
    for row in rates.values():
        assert 0.88 <= row["covers"] <= 1.0


def test_rough_places_show_the_full_change(rates):
    """Windows that each pass picks for itself would show some 6 % of these 8 %."""
    assert rates["8 % gentler"]["by places"] >= 0.9
    assert rates["8 % gentler"]["finding shows, %"] == pytest.approx(-8.0, abs=1.2)
