"""Places: the same road in every pass, chosen by all passes together; what falls back to whole passes; what is won."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.capture.reading import open_capture
from towertap.compare.comparison import compare
from towertap.compare.drives.folder import load_passes
from towertap.compare.road.places import CELL_S, find_places
from towertap.compare.road.rough import FEWEST_PLACES, gate_places
from towertap.compare.stats.ratio import energy_mean

RATES = runpy.run_path(str(Path(__file__).with_name("error_rates.py")))


def one(drives, **options):
    (finding,) = compare(drives, metrics=["jerk_z"], **options)
    return finding


@pytest.fixture(scope="module")
def drives(make):
    return make.driven(1)


def test_a_place_holds_the_same_road_in_every_pass(drives):
    """The road's level differs by a factor of some two from place to place, the line driven by a few percent."""
    places = find_places(drives.of("lane"))
    found = np.log(places.figures("jerk_z"))
    assert places.alignment.places == found.shape[1] >= 30
    levelled = found - found.mean(axis=1, keepdims=True)
    between = levelled.mean(axis=0).std()
    within = (levelled - levelled.mean(axis=0)).std()
    assert between > 0.2
    assert within < 0.1


def test_the_figure_of_places_is_the_energy_over_the_road_they_cover(drives):
    """Against a sum over a grid of 1 ms, by numpy alone."""
    places = find_places(drives.of("lane"))
    for number in (0, 5):
        cells = places.passes[number].cells
        bounds_s = places.bounds_s(number)
        grid_s = np.arange(bounds_s[0, 0], bounds_s[-1, 1], 0.001)
        of_cell = np.clip(np.searchsorted(bounds_s[:, 0], grid_s, side="right") - 1, 0, len(cells) - 1)
        values = cells["jerk_z"].to_numpy()[of_cell]
        for (start_s, end_s), figure in list(zip(places.edges_s, places.figures("jerk_z")[number], strict=True))[::7]:
            assert figure == pytest.approx(energy_mean(values[(grid_s >= start_s) & (grid_s < end_s)]), rel=5e-3)


def test_places_within_a_gap_of_one_pass_are_left_out_for_all(drives):
    passes = list(drives.of("lane"))
    whole = find_places(passes)
    holed = passes[3].cells[(passes[3].cells["start_s"] < 15) | (passes[3].cells["start_s"] > 20)]
    passes[3] = replace(passes[3], cells=holed)
    found = find_places(passes)
    assert found.alignment.warning is None
    assert 4 <= whole.alignment.places - found.alignment.places <= 8
    assert np.isfinite(found.figures("jerk_z")).all()


def test_both_sides_keep_the_same_places_and_the_same_finding_when_swapped(make, drives):
    there, back = one(drives), one(make.swapped(drives))
    kept = {(value.kept, value.windows) for value in (*there.before_values, *there.after_values)}
    assert there.basis == "rough places"
    assert len(kept) == 1
    assert FEWEST_PLACES <= there.before_values[0].kept < there.before_values[0].windows
    assert there.kept_share.before == there.kept_share.after
    assert back.ratio == pytest.approx(1 / there.ratio)


def test_places_are_rough_by_all_passes_together(drives):
    places = find_places(drives.of("lane"))
    sides = (drives.of("lane", "before"), drives.of("lane", "after"))
    threshold = float(np.median(places.figures("jerk_z")))
    gated = gate_places(places, sides, "jerk_z", threshold)
    together = np.exp(np.log(places.figures("jerk_z")).mean(axis=0))
    assert gated.figures[0][0].kept == (together > threshold).sum()
    assert gated.figures[0][0].gated == pytest.approx(energy_mean(places.figures("jerk_z")[0][together > threshold]))


def test_a_pass_over_another_road_is_named_and_the_finding_rests_on_whole_passes(make, drives):
    stray = make.driven(99).of("lane", "after")[0]
    passes = tuple(replace(stray, path=one.path) if one.name == "lane-polyurethane-1" else one for one in drives.passes)
    comparison = compare(replace(drives, passes=passes), metrics=["jerk_z"])
    (told,) = comparison.alignment
    (finding,) = comparison.findings
    assert [one.capture for one in told.passes if not one.aligned] == ["lane-polyurethane-1"]
    assert finding.basis == "whole passes"
    assert (finding.ratio, finding.interval) == (finding.ungated.ratio, finding.ungated.interval)
    assert "fingerprint is not found again in lane-polyurethane-1" in finding.words
    assert "rests on whole passes" in finding.cautions[0]


def test_a_road_with_too_few_rough_places_rests_on_whole_passes(make):
    finding = one(make.driven(2, level=10.0))
    assert finding.basis == "whole passes"
    assert "places are over the gate" in finding.words


def test_cells_join_to_the_windows_of_the_analysis(drive_folder):
    drives = load_passes(drive_folder, "soft", "stiff", "bypass")
    found = drives.passes[0]
    with open_capture(found.path) as capture:
        expected = analyse_capture(capture, window_s=1.0, metrics=list(found.windows.columns[2:])).windows
    assert found.windows.to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6)
    assert np.diff(found.cells["start_s"]) == pytest.approx(CELL_S, abs=1e-3)


@pytest.fixture(scope="module")
def rates(make):
    """A shorter run of `error_rates.py`."""
    return RATES["rates"](RATES["findings"](make, range(40)))


def test_nothing_changed_is_seldom_called_different_and_the_margin_seldom_equivalent(rates):
    for gate in ("places", "windows"):
        assert rates["no change", gate]["different"] <= 0.05
        for name in ("at the margin", "at the margin, below"):
            assert rates[name, gate]["equivalent"] <= 0.10
    for name in RATES["RATIOS"]:
        assert 0.88 <= rates[name, "places"]["covers"] <= 1.0


def test_the_gate_by_place_recovers_a_change_that_the_simple_gate_makes_smaller(rates):
    by_place, by_windows = rates["8 % gentler", "places"], rates["8 % gentler", "windows"]
    assert by_place["gate shows, %"] == pytest.approx(-8.0, abs=1.0)
    assert by_windows["gate shows, %"] > -6.5
    assert by_place["by places"] > 0.9
