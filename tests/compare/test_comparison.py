"""The complete comparison of invented drives: its content, its warnings, and what it refuses."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.drives.model import Excluded
from towertap.compare.findings.describe import WORDS
from towertap.compare.sections import SECTIONS
from towertap.errors import AnalysisError, CallError

from tests import plans


def test_the_data_of_a_comparison_is_json_with_the_promised_keys(make):
    comparison = compare(make.invented(3, roads={"new-road": 10.0, "quarry-lane": 40.0}), metrics=["jerk_z"])
    data = json.loads(json.dumps(plain(comparison.data()), allow_nan=False))
    promised = {"road", "metric", "unit", "before", "after", "ratio", "interval", "margin", "passes", "verdict"}
    assert [finding["road"] for finding in data["findings"]] == ["new-road", "quarry-lane"]
    for finding in data["findings"]:
        assert promised <= finding.keys()
        assert finding["verdict"] in WORDS
        assert finding["passes"] == [4, 4]
    for name, evidence in comparison.evidence.items():
        assert data["evidence"][name]["headline"] == evidence.headline
    assert data["answer"]["verdict"] == comparison.answer.verdict
    weights = [caution["weight"] for caution in data["cautions"]]
    assert weights == sorted(weights, reverse=True)
    assert list(comparison.evidence) == [section.name for section in SECTIONS if section.name in comparison.evidence]


def test_a_road_spelt_in_two_ways_is_hinted_at_when_no_road_is_left(make):
    drives = make.invented(3, seconds=5)
    passes = [
        replace(drive, conditions=replace(drive.conditions, road=drive.road.title()))
        if drive.side == "after"
        else drive
        for drive in drives.passes
    ]
    with pytest.raises(AnalysisError, match="the roads 'Quarry-Lane' and 'quarry-lane' are nearly one name"):
        compare(replace(drives, passes=tuple(passes)), metrics=["jerk_z"])


def test_a_road_whose_blocks_do_not_hold_gets_a_warning_and_welchs_test(make):
    """One road lost the second block of the part after; the other road, and the smooth one, are as planned."""
    drives = make.invented(3, roads={"quarry-lane": 60.0, "moor-road": 60.0}, seconds=25)
    lost = {drive.name for drive in drives.of("moor-road", "after") if drive.conditions.pass_number > 2}
    passes = tuple(drive for drive in drives.passes if drive.name not in lost)
    comparison = compare(
        replace(drives, passes=passes), plan=plans.plan({"quarry-lane": 40.0, "moor-road": 40.0, "bypass": 40.0})
    )
    assert {finding.road: len(finding.block_ratios) for finding in comparison} == {"moor-road": 0, "quarry-lane": 2}
    (warning,) = [caution.words for caution in comparison.cautions if "not compared by block" in caution.words]
    assert warning.startswith("moor-road is not compared by block (block 2 has passes with rubber only)")


def test_an_unplanned_pass_is_left_out_and_reported_so_that_the_blocks_hold(make):
    drives = make.invented(3, seconds=25)
    first = drives.of("quarry-lane")[0]
    unnumbered = replace(first, conditions=replace(first.conditions, pass_number=None))
    passes = tuple(unnumbered if drive is first else drive for drive in drives.passes)
    comparison = compare(replace(drives, passes=passes), plan=plans.plan())
    (finding,) = comparison.findings
    assert (finding.passes, len(finding.block_ratios)) == ((3, 4), 2)
    words = "quarry-lane-rubber-1 on quarry-lane was not planned and is left out: the blocks hold."
    assert words in [caution.words for caution in comparison.cautions]


def test_two_passes_a_side_are_decided_with_a_warning(make):
    comparison = compare(make.invented(1, n=(2, 4), roads={"quarry-lane": 60.0}), metrics=["jerk_z"])
    assert any("quarry-lane has two passes on a side" in caution.words for caution in comparison.cautions)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"margin": 0.0}, "a margin of 0 % is impossible: name more than 0 % and less than 100 %$"),
        ({"margin": 1.5}, "a margin of 150 % is impossible"),
        ({"margin": -0.1}, "margin"),
        ({"margin": float("nan")}, "margin"),
        ({"metrics": ["comfort"]}, "no metric 'comfort': use jerk_z"),
    ],
)
def test_an_impossible_call_is_refused_in_one_line(make, options, says):
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


def test_captures_left_out_are_reported_when_no_rough_road_remains(make):
    drives = make.invented(1)
    few = tuple(drive for drive in drives.passes if drive.road == "bypass")
    left_out = tuple(Excluded(f"lane-{n}", reason) for n, reason in enumerate(("not sound", "not sound", "too short")))
    with pytest.raises(AnalysisError, match=r"record both; 3 captures left out: not sound, too short$"):
        compare(replace(drives, passes=few, excluded=left_out), metrics=["jerk_z"])
