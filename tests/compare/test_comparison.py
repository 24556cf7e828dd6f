"""The whole comparison of invented drives: what it holds, what it warns of, and what cannot be compared."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.drives.model import Excluded
from towertap.compare.drives.slots import Slot
from towertap.compare.findings.describe import VERDICTS
from towertap.compare.sections import SECTIONS
from towertap.errors import AnalysisError, CallError


def test_the_data_of_a_comparison_is_json_with_the_promised_keys(make):
    comparison = compare(make.invented(3, roads={"new-road": 10.0, "quarry-lane": 40.0}), metrics=["jerk_z"])
    data = json.loads(json.dumps(plain(comparison.data()), allow_nan=False))
    promised = {"road", "metric", "unit", "before", "after", "ratio", "interval", "margin", "passes", "verdict"}
    assert [finding["road"] for finding in data["findings"]] == ["new-road", "quarry-lane"]
    for finding in data["findings"]:
        assert promised <= finding.keys()
        assert finding["verdict"] in VERDICTS
        assert finding["passes"] == [4, 4]
    for name, evidence in comparison.evidence.items():
        assert data["evidence"][name]["headline"] == evidence.headline
    assert list(comparison.evidence) == [section.name for section in SECTIONS if section.name in comparison.evidence]


def test_a_road_whose_blocks_do_not_hold_is_warned_of_and_decided_by_welch(make):
    """One pass of one road has no number; the other road, and the smooth one, are as planned."""
    drives = make.invented(3, roads={"quarry-lane": 60.0, "moor-road": 60.0}, seconds=25)
    slots = {
        (drive.conditions.part, drive.road, drive.conditions.pass_number): Slot(
            1 if drive.conditions.pass_number <= 2 else 2, drive.conditions.pass_number
        )
        for drive in drives.passes
    }
    first = drives.of("moor-road")[0]
    unnumbered = replace(first, conditions=replace(first.conditions, pass_number=None))
    passes = tuple(unnumbered if drive is first else drive for drive in drives.passes)
    comparison = compare(replace(drives, passes=passes), metrics=["jerk_z"], blocks=slots)
    assert {finding.road: finding.blocked is None for finding in comparison} == {
        "moor-road": True,
        "quarry-lane": False,
    }
    (warning,) = [words for words in comparison.warnings if "not compared by block" in words]
    assert warning.startswith("moor-road is not compared by block (moor-road-rubber-1 has no pass number)")


def test_without_three_blocks_a_part_is_not_told_from_its_installation(make):
    comparison = compare(make.invented(1), metrics=["jerk_z"])
    (warning,) = [words for words in comparison.warnings if "as they were installed here" in words]
    assert "(towertap plan --blocks 3)" in warning


def test_two_passes_a_side_are_decided_with_a_warning(make):
    comparison = compare(make.invented(1, n=(2, 4), roads={"quarry-lane": 60.0}), metrics=["jerk_z"])
    assert any("quarry-lane has two passes on a side" in warning for warning in comparison.warnings)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"margin": 0.0}, "a margin of 0 % cannot be: name more than 0 % and less than 100 %$"),
        ({"margin": 1.5}, "a margin of 150 % cannot be"),
        ({"margin": -0.1}, "margin"),
        ({"margin": float("nan")}, "margin"),
        ({"quantile": 1.0}, "a quantile of 1 cannot be: name one between 0 and 1$"),
        ({"metrics": ["comfort"]}, "no metric 'comfort': use jerk_z"),
    ],
)
def test_a_call_that_cannot_be_is_refused_in_one_line(make, options, says):
    with pytest.raises(CallError, match=says):
        compare(make.invented(1), **{"metrics": ["jerk_z"], **options})


def test_drives_that_cannot_be_compared_are_refused_in_one_line(make):
    drives = make.invented(1)
    rough_before = [drive for drive in drives.passes if drive.road == "bypass" or drive.side == "before"]
    with pytest.raises(AnalysisError, match="both 'rubber' and 'polyurethane'"):
        compare(make.drives_of(rough_before), metrics=["jerk_z"])
    rough = [drive for drive in drives.passes if drive.road != "bypass"]
    flat = [make.one_pass({"jerk_z": np.full(3, np.nan)}, "before", "bypass", 1)]
    for smooth in ([], flat):
        with pytest.raises(AnalysisError, match="no window of the smooth road has a jerk_z"):
            compare(make.drives_of([*smooth, *rough]), metrics=["jerk_z"])


def test_captures_left_out_are_told_when_no_rough_road_remains(make):
    drives = make.invented(1)
    few = tuple(drive for drive in drives.passes if drive.road == "bypass")
    left_out = tuple(Excluded(f"lane-{n}", reason) for n, reason in enumerate(("not sound", "not sound", "too short")))
    with pytest.raises(AnalysisError, match=r"record both; 3 captures left out: not sound, too short$"):
        compare(replace(drives, passes=few, excluded=left_out), metrics=["jerk_z"])
