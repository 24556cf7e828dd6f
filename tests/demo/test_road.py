"""The roads are as rough as ISO 8608 says, patched where they should be, and the same for every pass."""

import numpy as np
import pytest
from scipy import signal
from towertap.demo.road import BAND_CYCLE_M, LENGTH_M, ROADS, STEP_M, bends, patches, roughness, surface, under_tyre

# ISO 8608:2016, from memory (also in public literature): Gd(n0) at n0 = 0.1 cycle/m, geometric means in m³, waviness 2;
# neighbouring classes meet at the factor 2.
ISO_8608_M3 = {"A": 16e-6, "B": 64e-6, "C": 256e-6, "D": 1024e-6}

CLASSES = {"quarry-lane": "CD", "moor-road": "BC", "bypass": "A"}


def displacement_density(heights):
    """PSD of a profile by scipy: n in cycle/m, Gd in m³."""
    return signal.welch(heights, 1 / STEP_M, nperseg=2**14, detrend="linear")


@pytest.mark.parametrize("roughness_m3", ISO_8608_M3.values())
def test_a_profile_has_the_density_and_waviness_of_its_class(roughness_m3):
    n, density = displacement_density(roughness(roughness_m3, 5000.0, np.random.default_rng(1)))
    for low in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 4.0):  # octaves, each many lines wide
        octave = (n >= low) & (n < 2 * low)
        expected = roughness_m3 * (n[octave] / 0.1) ** -2
        assert density[octave].sum() / expected.sum() == pytest.approx(1.0, abs=0.2)


def test_a_profile_is_band_limited():
    n, density = displacement_density(roughness(16e-6, 5000.0, np.random.default_rng(1)))
    assert density[n > 1.1 * BAND_CYCLE_M[1]].max() < 1e-5 * density[(n > 9) & (n < 10)].mean()


@pytest.mark.parametrize("road", ROADS, ids=lambda road: road.name)
def test_every_road_is_within_its_classes(road):
    n, density = displacement_density(surface(road, length_m=5000.0))
    fit = (n > 0.06) & (n < 2.8)  # the standard's own band ends at 2.83 cycle/m
    gd_n0 = np.exp(np.mean(np.log(density[fit] * (n[fit] / 0.1) ** 2)))
    classes = CLASSES[road.name]
    assert ISO_8608_M3[classes[0]] / 2 <= gd_n0 <= ISO_8608_M3[classes[-1]] * 2


def test_the_roads_go_from_rough_to_smooth():
    slopes = [np.diff(surface(road, length_m=2000.0)).std() for road in ROADS]
    assert slopes[0] > 1.5 * slopes[1] > 2.25 * slopes[2]


def test_a_road_is_the_same_in_every_pass_except_for_a_small_share_by_line():
    lane = ROADS[0]
    assert np.array_equal(surface(lane), surface(lane))
    one, two = (surface(lane, line=np.random.default_rng(seed)) for seed in (1, 2))
    assert not np.array_equal(one, two)
    assert np.corrcoef(np.diff(one), np.diff(two))[0, 1] > 0.9


def test_patches_are_level_and_meet_with_edges():
    heights = patches(0.01, 4.0, 2000.0, np.random.default_rng(3))
    edges = np.flatnonzero(np.diff(heights))
    assert len(edges) == pytest.approx(2000 / 4, rel=0.1)
    assert np.diff(edges).min() * STEP_M >= 0.49 * 4.0
    assert heights.std() == pytest.approx(0.01, rel=0.15)


def test_the_tyre_rounds_an_edge_over_twice_its_contact_length():
    step = np.where(np.arange(400) < 200, 0.0, 0.01)
    felt = under_tyre(step, contact_m=0.1)
    place = np.linspace(0.5, 3.5, 3001)
    assert felt(1.85) == pytest.approx(0.0, abs=1e-5)
    assert felt(2.15) == pytest.approx(0.01, abs=1e-5)
    assert felt.derivative()(place).max() == pytest.approx(
        0.01 / 0.1, rel=0.02
    )  # a triangle's peak is height / contact


def test_the_moor_road_winds_and_the_bypass_does_not():
    lateral = {}
    for road in ROADS:
        lateral[road.name] = np.abs(bends(road)(np.arange(LENGTH_M))) * (road.speed_kmh / 3.6) ** 2
    assert 1.5 < lateral["moor-road"].max() < 4.0
    assert max(lateral["bypass"].max(), lateral["quarry-lane"].max()) < 1.0
