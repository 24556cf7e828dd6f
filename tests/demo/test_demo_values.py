"""The demo's numbers stay what they were when they were confirmed from outside; a change of them must be meant."""

import json
from pathlib import Path

import pytest

EXPECTED = json.loads((Path(__file__).parent / "demo_values.json").read_text())
"""Values of the demo as it stood when its arithmetic was held against an independent computation, to six digits."""


@pytest.fixture(scope="module")
def comparison(demo):
    return demo.comparison


def within_rounding(value):
    """Six digits were kept; p-values far out in the tail carry the rounding of their logarithm."""
    return pytest.approx(value, rel=2e-5, abs=1e-12)


def test_findings(comparison):
    for finding in comparison.findings:
        expected = EXPECTED["findings"][f"{finding.road} {finding.metric}"]
        for name in ("before", "after", "ratio", "interval", "p_difference", "p_equivalence"):
            assert getattr(finding, name) == within_rounding(expected[name] and _tuple(expected[name])), name
        for name in ("p_difference_holm", "p_equivalence_holm"):
            assert getattr(finding, name) == within_rounding(expected[name]), name
        assert list(finding.passes) == expected["passes"]
        assert (finding.on_these_drives, finding.basis) == (expected["verdict"], expected["basis"])
        assert finding.passes_needed == expected["passes_needed"]
        assert finding.whole.ratio == within_rounding(expected["whole_passes_ratio"])
        assert list(finding.block_ratios) == within_rounding(expected["block_ratios"])
        assert finding.noise.share == within_rounding(expected["noise_share"])
        values = (*finding.before_values, *finding.after_values)
        assert [value.value for value in values] == within_rounding(expected["pass_figures"])
        assert [[value.rough_places, value.places] for value in values] == expected["kept"]
    assert len(comparison.findings) == len(EXPECTED["findings"])


def test_roughness_limits(comparison):
    assert {name: limit.value for name, limit in comparison.limits.items()} == within_rounding(EXPECTED["gates"])


def test_smooth_road(comparison):
    smooth = comparison.evidence["smooth"].data
    changes = {change.metric: [change.ratio, *change.interval] for change in smooth["changes"]}
    assert changes.keys() == EXPECTED["smooth_changes"].keys()
    for metric, values in changes.items():
        assert values == within_rounding(EXPECTED["smooth_changes"][metric])
    apart = smooth["rough_against_smooth"]
    ratios = {f"{entry.road} {entry.metric} {entry.part}": entry.ratio for entry in apart}
    assert ratios == within_rounding(EXPECTED["sanity"])


def test_bands(comparison):
    for road in comparison.evidence["thirds"].data:
        expected = EXPECTED["bands"][road.road]
        for band in (*road.thirds, *road.wide):
            *numbers, shown = expected[band.name]
            assert [band.ratio, *band.interval] == within_rounding(numbers)
            assert band.shown == shown
        assert len(road.thirds) + len(road.wide) == len(expected)


def test_knocks_speed_and_alignment(comparison):
    knocks = {
        road.road: [list(road.before.counts), list(road.after.counts)] for road in comparison.evidence["knocks"].data
    }
    assert knocks == EXPECTED["knocks"]
    for road in comparison.evidence["speed"].data:
        assert [road.contrast.ratio, road.shared_m] == within_rounding(EXPECTED["speed"][road.road])
    for road in comparison.evidence["places"].data:
        reference, places, qualities = EXPECTED["alignment"][road.road]
        assert (road.reference, road.places) == (reference, places)
        assert [drive.quality for drive in road.passes] == within_rounding(qualities)


def _tuple(value):
    return tuple(value) if isinstance(value, list) else value
