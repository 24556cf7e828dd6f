"""Whole comparisons on invented drives: verdicts, their words, the pass as the unit, and what cannot be compared."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from towertap.cli._outcome import plain
from towertap.compare.comparison import ALPHA, compare
from towertap.compare.model import Excluded
from towertap.compare.stats.ratio import smallest_difference
from towertap.compare.stats.power import strength
from towertap.compare.verdict import VERDICTS, change, verdict
from towertap.errors import AnalysisError, CallError

SMALL_SPREAD = {"pass_spread": 0.01, "seconds": 200, "roads": {"quarry-lane": 60.0}}


def one(drives, **options):
    (finding,) = compare(drives, metrics=["jerk_z"], **{"gate": "windows", **options})
    return finding


@pytest.mark.parametrize(
    ("p_difference", "p_equivalence", "ratio", "expected"),
    [
        (0.30, 0.30, 1.05, "undecided"),
        (0.99, 0.06, 1.00, "undecided"),
        (0.01, 0.30, 1.20, "harsher"),
        (0.01, 0.30, 0.80, "gentler"),
        (0.30, 0.01, 1.00, "equivalent"),
        (0.01, 0.01, 1.03, "equivalent"),
        (None, None, 2.00, "undecided"),
    ],
)
def test_precedence_of_verdicts(p_difference, p_equivalence, ratio, expected):
    assert verdict(ratio, p_difference, p_equivalence, ALPHA) == expected


def test_a_larger_change_is_harsher_and_the_words_hold_it_against_the_margin(make):
    finding = one(make.invented(1, ratio=1.4, **SMALL_SPREAD))
    assert finding.verdict == "harsher"
    assert finding.interval[0] > 1.1
    for words in (
        "harsher",
        "polyurethane",
        "rubber",
        "95 % interval",
        "4 and 4 passes",
        "lies beyond the margin of 10 %",
    ):
        assert words in finding.words


def test_a_smaller_change_is_gentler(make):
    finding = one(make.invented(1, ratio=0.7, **SMALL_SPREAD))
    assert finding.verdict == "gentler"
    assert "lower" in finding.words


def test_nothing_changed_and_small_spread_is_equivalent(make):
    finding = one(make.invented(3, n=(6, 6), **SMALL_SPREAD))
    assert finding.verdict == "equivalent"
    assert "two one-sided tests" in finding.words


def test_a_certain_change_inside_the_margin_is_equivalent_and_said_to_be_real(make):
    finding = one(make.invented(3, ratio=1.06, n=(12, 12), **SMALL_SPREAD), margin=0.15)
    assert finding.p_difference_holm < 0.05
    assert finding.verdict == "equivalent"
    assert "A difference there is, but too small to count" in finding.words


def test_undecided_says_what_would_have_been_shown_and_never_that_nothing_changed(make):
    finding = one(make.invented(5, pass_spread=0.15, n=(3, 3)))
    assert finding.p_difference > 0.05
    assert finding.verdict == "undecided"
    assert finding.smallest_difference > 1.2
    assert f"nothing smaller than a change to {finding.smallest_difference:.2f} or" in finding.words
    assert "not evidence that nothing changed" in finding.words


@pytest.mark.parametrize("n", [(1, 1), (1, 5), (5, 1)])
def test_one_pass_a_side_is_undecided_whatever_the_change_and_says_why(make, n):
    finding = one(make.invented(1, ratio=3.0, n=n))
    assert (finding.verdict, finding.interval, finding.p_difference_holm) == ("undecided", None, None)
    assert finding.ratio == pytest.approx(3.0, rel=0.4)
    assert f"{n[0]} pass{'es' if n[0] > 1 else ''} with rubber," in finding.words
    assert not finding.cautions
    assert "A side with one pass does not show how far passes differ" in finding.words


def test_copies_of_one_pass_are_undecided_and_say_why(make):
    table = {"jerk_z": [40.0, 50.0, 60.0]}
    passes = [make.one_pass({"jerk_z": [1.0, 2.0, 3.0]}, side, "bypass", 1) for side in ("before", "after")]
    passes += [make.one_pass(table, side, "quarry-lane", n) for side in ("before", "after") for n in (1, 2, 3)]
    finding = one(make.drives_of(passes))
    assert (finding.verdict, finding.ratio, finding.interval) == ("undecided", 1.0, None)
    assert "copies of one recording" in finding.words


def test_where_a_pass_keeps_nothing_the_finding_rests_on_whole_passes(make):
    finding = one(make.invented(3, roads={"new-road": 10.0}))
    assert min(v.kept for v in finding.before_values) == 0
    assert finding.basis == "whole passes"
    assert (finding.ratio, finding.interval) == (finding.ungated.ratio, finding.ungated.interval)
    assert "not one window of" in finding.words
    assert any("hide or invent" in caution for caution in finding.cautions)


def test_holm_runs_over_roads_and_metrics_together(make):
    metrics = ("jerk_z", "weighted_z")
    comparison = compare(
        make.invented(1, roads={"a": 50.0, "b": 60.0}, metrics=metrics), metrics=metrics, gate="windows"
    )
    smallest = min(comparison, key=lambda finding: finding.p_difference)
    assert len(comparison.findings) == 4
    assert smallest.smallest_difference == smallest_difference(
        *([value.figure for value in side] for side in (smallest.before_values, smallest.after_values)), 0.05 / 4
    )
    assert smallest.p_difference_holm == pytest.approx(min(1.0, 4 * smallest.p_difference))
    assert "for 4 findings" in "".join(finding.words for finding in comparison) or all(
        finding.verdict == "undecided" for finding in comparison
    )


def test_swapping_the_parts_swaps_the_verdict_and_nothing_else(make):
    mirror = {"harsher": "gentler", "gentler": "harsher", "equivalent": "equivalent", "undecided": "undecided"}
    seen = set()
    for seed, ratio in [(1, 1.4), (2, 0.7), (3, 1.0), (4, 1.1), (5, 0.95)]:
        drives = make.invented(seed, ratio=ratio, **SMALL_SPREAD)
        there, back = one(drives), one(make.swapped(drives))
        assert back.verdict == mirror[there.verdict]
        assert back.ratio == pytest.approx(1 / there.ratio)
        assert back.smallest_difference == pytest.approx(there.smallest_difference)
        assert back.basis == there.basis
        seen.add(there.verdict)
    assert seen >= {"harsher", "gentler", "equivalent"}


def test_rough_and_smooth_road_come_out_as_different_populations(make):
    drives = make.invented(1, roads={"quarry-lane": 40.0})
    comparison = compare(drives, metrics=["jerk_z"], gate="windows")
    assert [entry.part for entry in comparison.sanity] == ["rubber", "polyurethane"]
    assert all(entry.distinct and entry.interval[0] > 2 for entry in comparison.sanity)
    assert not any("told apart" in one or "rough" in one for one in comparison.warnings)


@pytest.mark.parametrize("level", [8.0, 11.0])
def test_a_rough_road_that_is_as_smooth_as_the_smooth_one_is_told(make, level):
    """Below the smooth road, or so little above it that chance would do."""
    comparison = compare(
        make.invented(1, roads={"quarry-lane": level}, pass_spread=0.2), metrics=["jerk_z"], gate="windows"
    )
    assert [entry.distinct for entry in comparison.sanity] == [False, False]
    assert sum("the gate means little" in warning for warning in comparison.warnings) == 2
    for entry in comparison.sanity:
        assert ("not told apart" in entry.words) == (entry.ratio >= 1)
        assert ("the road given as rough is no rougher" in entry.words) == (entry.ratio < 1)


def test_a_rough_road_given_as_the_smooth_one_is_refused_with_the_smoothest(make):
    drives = make.invented(1, roads={"moor-road": 25.0, "quarry-lane": 40.0})
    with pytest.raises(CallError) as error:
        compare(replace(drives, smooth="quarry-lane"), metrics=["jerk_z"])
    assert str(error.value) == (
        "quarry-lane, given as the smooth road, is rougher than bypass and moor-road: did you mean --smooth bypass?"
    )


def test_the_summary_goes_by_metric_and_tells_how_large_a_difference_is(make):
    metrics = ("jerk_z", "weighted_z")
    drives = make.invented(1, ratio=1.4, metrics=metrics, **SMALL_SPREAD | {"roads": {"a": 50.0, "b": 60.0}})
    comparison = compare(drives, metrics=metrics, gate="windows")
    ratios = {(one.metric, one.road): one.ratio for one in comparison}
    assert comparison.summary == " ".join(
        f"{label}: harsher on a (× {ratios[name, 'a']:.2f}) and b (× {ratios[name, 'b']:.2f})."
        for name, label in (("jerk_z", "Jerk z"), ("weighted_z", "Weighted z"))
    )


def test_a_permutation_p_that_cannot_be_smaller_is_said_to_be(make):
    assert "p = 0.029 (the smallest that 4 and 4 passes can give)" in one(make.invented(1, ratio=1.4)).words
    assert "the smallest that" not in one(make.invented(1)).words


def test_captures_left_out_are_told_when_no_rough_road_remains(make):
    drives = make.invented(1)
    few = tuple(one for one in drives.passes if one.road == "bypass")
    left_out = tuple(Excluded(f"lane-{n}", reason) for n, reason in enumerate(("not sound", "not sound", "too short")))
    with pytest.raises(AnalysisError, match=r"record both; 3 captures left out: not sound, too short$"):
        compare(replace(drives, passes=few, excluded=left_out), metrics=["jerk_z"])


def test_the_data_of_a_comparison_is_json_with_the_promised_keys(make):
    comparison = compare(
        make.invented(3, roads={"new-road": 10.0, "quarry-lane": 40.0}), metrics=["jerk_z"], gate="windows"
    )
    data = json.loads(json.dumps(plain(comparison.data()), allow_nan=False))
    promised = {"road", "metric", "unit", "before", "after", "ratio", "interval", "margin", "passes", "verdict"}
    for finding in data["findings"]:
        assert promised <= finding.keys()
        assert finding["verdict"] in VERDICTS
        assert finding["passes"] == [4, 4]


@pytest.mark.parametrize(("ratio", "words"), [(1.123, "12 % higher"), (0.969, "3.1 % lower"), (1.0, "0.0 % higher")])
def test_a_ratio_in_words(ratio, words):
    assert change(ratio) == words


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"margin": 0.0}, "a margin of 0 % cannot be: name more than 0 % and less than 100 %$"),
        ({"margin": 1.5}, "a margin of 150 % cannot be"),
        ({"margin": -0.1}, "margin"),
        ({"margin": float("nan")}, "margin"),
        ({"quantile": 1.0}, "a quantile of 1 cannot be: name one between 0 and 1$"),
        ({"metrics": ["comfort"]}, "no metric 'comfort': use jerk_z"),
        ({"metrics": []}, "no metric"),
    ],
)
def test_a_call_that_cannot_be_is_refused_in_one_line(make, options, says):
    with pytest.raises(CallError, match=says):
        compare(make.invented(1), **{"metrics": ["jerk_z"], **options})


def test_drives_that_cannot_be_compared_are_refused_in_one_line(make):
    drives = make.invented(1)
    rough_before = [one for one in drives.passes if one.road == "bypass" or one.side == "before"]
    with pytest.raises(AnalysisError, match="both 'rubber' and 'polyurethane'"):
        compare(make.drives_of(rough_before), metrics=["jerk_z"])
    with pytest.raises(AnalysisError, match="smooth road 'bypass'"):
        compare(make.drives_of([one for one in drives.passes if one.road != "bypass"]), metrics=["jerk_z"])
    flat = [make.one_pass({"jerk_z": np.full(3, np.nan)}, "before", "bypass", 1)]
    flat += [one for one in drives.passes if one.road != "bypass"]
    with pytest.raises(AnalysisError, match="bypass"):
        compare(make.drives_of(flat), metrics=["jerk_z"])


def test_a_difference_that_only_stands_alone_is_undecided_and_the_words_say_so(make):
    """Holm 1979: one p just below 0.05 among several findings is what chance gives."""
    metrics = ("jerk_z", "weighted_z", "acceleration_z")
    told = 0
    for seed in range(30):
        for finding in compare(make.invented(seed, metrics=metrics), metrics=metrics, gate="windows"):
            if finding.p_difference < 0.05 <= finding.p_difference_holm and finding.verdict == "undecided":
                assert "Alone it would pass for a difference" in finding.words
                told += 1
    assert told


def test_two_passes_a_side_are_decided_with_a_warning(make):
    comparison = compare(make.invented(1, n=(2, 4), roads={"quarry-lane": 60.0}), metrics=["jerk_z"], gate="windows")
    assert any("quarry-lane has two passes on a side" in warning for warning in comparison.warnings)


def test_the_primary_metric_is_a_family_apart(make):
    """Holm (1979) by statsmodels, over the primary metric's roads and over all others' apart; without it, over all."""
    roads = {"quarry-lane": 40.0, "moor-road": 30.0}
    metrics = ("jerk_z", "weighted_z", "acceleration_z")
    drives = make.invented(5, ratio=1.04, roads=roads, metrics=metrics)
    apart = compare(drives, metrics=metrics, gate="windows", primary="jerk_z").findings
    together = compare(drives, metrics=metrics, gate="windows").findings
    families = [
        [one for one in apart if one.metric == "jerk_z"],
        [one for one in apart if one.metric != "jerk_z"],
        list(together),
    ]
    assert [{(one.family, one.primary) for one in family} for family in families] == [
        {(2, True)},
        {(4, False)},
        {(6, None)},
    ]
    for family in families:
        adjusted = multipletests([one.p_difference for one in family], method="holm")[1]
        assert [one.p_difference_holm for one in family] == pytest.approx(list(adjusted))
    assert [(one.road, one.metric) for one in apart] == [(one.road, one.metric) for one in together]
    louder = compare(make.invented(5, ratio=1.5, roads=roads), metrics=["jerk_z"], gate="windows", primary="jerk_z")
    assert all("after Holm's adjustment for 2 findings of the primary metric" in one.words for one in louder)


def test_a_smooth_road_that_moved_as_well_is_told(make):
    """A check, unadjusted: Welch's interval by scipy of whole passes on logarithms."""
    drives = make.invented(4, ratio=1.3)
    told = compare(drives, metrics=["jerk_z"], gate="windows")
    (entry,) = told.smooth_changes
    sides = [[np.log(one.whole["jerk_z"]) for one in drives.of("bypass", side)] for side in ("before", "after")]
    low, high = stats.ttest_ind(sides[1], sides[0], equal_var=False).confidence_interval()
    assert entry.interval == pytest.approx(np.exp([low, high]))
    assert not entry.moved
    louder = tuple(
        replace(one, windows=one.windows.assign(jerk_z=1.4 * one.windows["jerk_z"]))
        if (one.road, one.side) == ("bypass", "after")
        else one
        for one in drives.passes
    )
    moved = compare(replace(drives, passes=louder), metrics=["jerk_z"], gate="windows")
    assert moved.smooth_changes[0].ratio == pytest.approx(1.4 * entry.ratio)
    assert any(one.startswith("bypass, the smooth road, moved as well: jerk z ") for one in moved.warnings)


def test_a_difference_is_told_in_what_people_feel(make):
    """Times the 6.7 to 11 % of the literature; of jerk, that it was found for acceleration."""
    (finding,) = compare(make.invented(2, ratio=1.3), metrics=["jerk_z"], gate="windows")
    assert finding.verdict == "harsher"
    low, high = (100 * (end - 1) for end in finding.interval)
    assert f"its interval is {low / 11:.1f} to {high / 6.7:.1f} times the 6.7 to 11.0 %" in finding.words
    assert "of acceleration, not of jerk" in finding.words


def test_more_passes_are_counted_from_the_upper_limit_of_the_spread(make):
    """Browne (1995), as a plan does: the chi-square limit by scipy, the promise for the margin and none."""
    finding = next(
        one
        for seed in range(40)
        for one in compare(make.invented(seed, ratio=1.06, n=(3, 3)), metrics=["jerk_z"], gate="windows")
        if one.verdict == "undecided" and one.passes_needed
    )
    logs = [np.log([one.figure for one in side]) for side in (finding.before_values, finding.after_values)]
    upper = np.sqrt(np.mean([side.var(ddof=1) for side in logs]) * 4 / stats.chi2.ppf(0.2, 4))
    assert finding.passes_needed == strength(0.1, upper, 3).needed
    assert f"{finding.passes_needed} in all" in finding.words
    assert "half the margin may stay undecided" in finding.words
