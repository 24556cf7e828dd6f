"""The demo's values are those that were once confirmed independently; a change must be intended.

After an intended change, `python -m tests.demo.test_demo_values` writes them again, and the commit says by how much.
"""

import json
import math
import tempfile
from pathlib import Path

import pytest
from towertap.demo.run import run_demo

from tests.alike import assert_alike

FILE = Path(__file__).parent / "demo_values.json"
"""Values of the demo, to six digits; its arithmetic was once checked against an independent computation."""


def values(comparison):
    """The demo's results as JSON types."""
    evidence = {name: section.data for name, section in comparison.evidence.items()}
    return {
        "findings": {f"{finding.road} {finding.metric}": finding_values(finding) for finding in comparison.findings},
        "overall": {finding.metric: finding_values(finding) for finding in comparison.overall},
        "limits": {name: limit.value for name, limit in comparison.limits.items()},
        "smooth_changes": {change.metric: [change.ratio, *change.interval] for change in evidence["smooth"]["changes"]},
        "sanity": {
            f"{entry.road} {entry.metric} {entry.part}": entry.ratio
            for entry in evidence["smooth"]["rough_against_smooth"]
        },
        "bands": {
            road.road: {band.name: [band.ratio, *band.interval, band.shown] for band in (*road.thirds, *road.wide)}
            for road in evidence["thirds"]
        },
        "knocks": {
            road.road: {
                "counts": [road.before.counts, road.after.counts],
                "softer": [road.before.softer, road.after.softer],
            }
            for road in evidence["knocks"]
        },
        "speed": {road.road: [road.contrast.ratio, road.shared_m] for road in evidence["speed"]},
        "alignment": {
            road.road: [road.reference, road.places, [drive.quality for drive in road.passes]]
            for road in evidence["places"]
        },
    }


def finding_values(finding):
    """Both statements of a finding, and what they rest on."""
    drives = ("before", "after", "ratio", "interval", "passes", "passes_needed", "basis", "block_ratios")
    p_values = ("p_difference", "p_equivalence", "p_difference_holm", "p_equivalence_holm")
    part = ("interval", "interval_90", "standard_error", "df", *p_values)
    both = (*finding.before_values, *finding.after_values)
    return {
        **{name: getattr(finding, name) for name in (*drives, *p_values)},
        "verdict": finding.on_these_drives,
        "whole_passes_ratio": finding.whole.ratio,
        "noise_share": finding.noise.share,
        "pass_figures": [value.value for value in both],
        "kept": [[value.rough_places, value.places] for value in both],
        "part": {name: getattr(finding.part, name) for name in part} | {"verdict": finding.verdict},
        "over_smooth": [finding.over_smooth.ratio, finding.over_smooth.reading],
    }


@pytest.mark.parametrize("what", json.loads(FILE.read_text()))
def test_the_demo_gives_the_same_values(demo, what):
    """Within rounding to six digits; p-values far in the tail are as exact as their logarithm."""
    assert_alike(json.loads(json.dumps(values(demo.comparison)))[what], json.loads(FILE.read_text())[what], 2e-5, what)


def rounded(value):
    """The value, rounded to six digits."""
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    return float(f"{value:.6g}") if isinstance(value, float) and math.isfinite(value) else value


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        demo_values = values(run_demo(Path(folder) / "out").comparison)
    FILE.write_text(json.dumps(rounded(demo_values), indent=1) + "\n")
