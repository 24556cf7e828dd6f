"""Findings from a laid-out study: families, blocks, what they rest on, how many passes would tell, and error rates."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from towertap.compare.drives.slots import Slot
from towertap.compare.findings.describe import verdict
from towertap.compare.findings.find import find
from towertap.compare.road.rough import PassValue, whole_value
from towertap.compare.stats.contrast import contrast, holm
from towertap.compare.stats.power import ALPHA, strength
from towertap.compare.study import lay_out

MIRROR = {"harsher": "gentler", "gentler": "harsher", "equivalent": "equivalent", "undecided": "undecided"}


def test_swapping_the_parts_swaps_the_verdict_and_nothing_else(make):
    seen = set()
    for seed, ratio in [(1, 1.4), (2, 0.7), (3, 1.0), (4, 1.1), (5, 0.95)]:
        drives = make.invented(seed, ratio=ratio, pass_spread=0.01, seconds=200)
        (there,), (back,) = (find(make.on_whole_passes(of), None) for of in (drives, make.swapped(drives)))
        assert back.verdict == MIRROR[there.verdict]
        assert back.ratio == pytest.approx(1 / there.ratio)
        seen.add(there.verdict)
    assert seen >= {"harsher", "gentler", "equivalent"}


def test_both_sides_rest_on_the_same_places_and_the_finding_swaps(make):
    drives = make.driven(1)
    (there,), (back,) = (find(lay_out(of, 0.10, 0.95, ["jerk_z"], None), None) for of in (drives, make.swapped(drives)))
    places = {(value.rough_places, value.places) for value in (*there.before_values, *there.after_values)}
    assert (there.basis, there.whole_because) == ("rough places", None)
    assert len(places) == 1
    (rough, all_places), *_ = places
    assert there.rough_share == rough / all_places
    assert back.ratio == pytest.approx(1 / there.ratio)


def test_a_finding_over_rough_places_stands_beside_the_one_over_whole_passes(make):
    """The statistics of either are those of `contrast` over the passes' own values."""
    (finding,) = find(lay_out(make.driven(1, ratio=1.1), 0.10, 0.95, ["jerk_z"], None), None)
    sides = (finding.before_values, finding.after_values)
    over_places = contrast(*([value.value for value in side] for side in sides), 0.10)
    over_whole = contrast(*([value.whole for value in side] for side in sides), 0.10)
    assert finding.basis == "rough places"
    assert (finding.ratio, finding.interval) == (over_places.ratio, over_places.interval)
    assert finding.whole == over_whole
    assert finding.ratio != finding.whole.ratio
    assert finding.words.endswith("% higher.") or finding.words.endswith("% lower.")
    assert "Over whole passes it was" in finding.words


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda make: make.driven(2, level=10.0), "places are over the roughness limit"),
        (lambda make: _with_a_stray(make), "the road's fingerprint is not found again in lane-polyurethane-1"),
    ],
    ids=["too few rough places", "a pass over another road"],
)
def test_a_road_without_rough_places_rests_on_whole_passes_and_says_why(make, spoil, says):
    (finding,) = find(lay_out(spoil(make), 0.10, 0.95, ["jerk_z"], None), None)
    assert finding.basis == "whole passes"
    assert (finding.ratio, finding.interval) == (finding.whole.ratio, finding.whole.interval)
    assert says in finding.whole_because
    assert says in finding.words
    assert "hide or invent" in finding.cautions[0]


def _with_a_stray(make):
    """One of the passes was driven over another road."""
    drives = make.driven(1)
    stray = make.driven(99).of("lane", "after")[0]
    passes = (
        replace(stray, path=drive.path) if drive.name == "lane-polyurethane-1" else drive for drive in drives.passes
    )
    return replace(drives, passes=tuple(passes))


class TwiceAfter:
    """Rough places over which the part after is twice as rough as over its whole passes."""

    basis, warning, share = "rough places", None, 0.5

    def value(self, drive):
        whole = whole_value(drive, "jerk_z")
        over_places = 2 * whole if drive.side == "after" else whole
        return PassValue(drive.name, drive.conditions.pass_number, 10, 5, whole, over_places)


def test_a_change_that_is_not_the_same_on_smooth_stretches_is_cautioned_of(make):
    study = make.on_whole_passes(make.invented(3, pass_spread=0.01))
    (finding,) = find(replace(study, roads=(replace(study.roads[0], rough={"jerk_z": TwiceAfter()}),)), None)
    assert finding.ratio == pytest.approx(2 * finding.whole.ratio)
    (caution,) = finding.cautions
    low, high = finding.whole.interval
    assert f"({finding.ratio:.2f}) lies outside the interval over whole passes ({low:.2f} to {high:.2f})" in caution


def test_the_primary_metric_is_a_family_apart(make):
    """Holm (1979) by statsmodels, over the primary metric's roads and over all others' apart; without it, over all."""
    roads = {"quarry-lane": 40.0, "moor-road": 30.0}
    metrics = ("jerk_z", "weighted_z", "acceleration_z")
    study = make.on_whole_passes(make.invented(5, ratio=1.04, roads=roads, metrics=metrics), metrics)
    apart, together = find(study, "jerk_z"), find(study, None)
    families = [
        [finding for finding in apart if finding.metric == "jerk_z"],
        [finding for finding in apart if finding.metric != "jerk_z"],
        list(together),
    ]
    assert [{(finding.family, finding.primary) for finding in family} for family in families] == [
        {(2, True)},
        {(4, False)},
        {(6, None)},
    ]
    for family in families:
        adjusted = multipletests([finding.p_difference for finding in family], method="holm")[1]
        assert [finding.p_difference_holm for finding in family] == pytest.approx(list(adjusted))
    assert [(finding.road, finding.metric) for finding in apart] == [
        (finding.road, finding.metric) for finding in together
    ]
    louder = find(make.on_whole_passes(make.invented(5, ratio=1.5, roads=roads)), "jerk_z")
    assert all("after Holm's adjustment for 2 findings of the primary metric" in finding.words for finding in louder)


def test_more_passes_are_counted_from_the_upper_limit_of_the_spread(make):
    """Browne (1995), as a plan does: the chi-square limit by scipy, the promise for the margin and none."""
    finding = next(
        finding
        for seed in range(40)
        for finding in find(make.on_whole_passes(make.invented(seed, ratio=1.06, n=(3, 3))), None)
        if finding.verdict == "undecided" and finding.passes_needed
    )
    logs = [np.log(side) for side in finding.values]
    upper = np.sqrt(np.mean([side.var(ddof=1) for side in logs]) * 4 / stats.chi2.ppf(0.2, 4))
    assert finding.passes_needed == strength(0.1, upper, 3).needed
    assert f"{finding.passes_needed} in all" in finding.words


def test_a_drift_between_blocks_cancels_where_welchs_test_is_blinded_by_it(make):
    """A B B A: the passes of the second block are 20 % rougher, whatever is fitted."""
    drives = make.invented(3, n=(6, 6), pass_spread=0.01, seconds=120, roads={"quarry-lane": 60.0, "moor-road": 60.0})
    later = (make.scaled(drive, 1.2) if drive.conditions.pass_number > 3 else drive for drive in drives.passes)
    drives = replace(drives, passes=tuple(later))
    slots = {}
    for drive in drives.passes:
        block = 1 if drive.conditions.pass_number <= 3 else 2
        slots[drive.name] = Slot(block, 2 if drive.side == "after" else 2 * block - 1)
    by_block, by_welch = (find(make.on_whole_passes(drives, slots=paired), None) for paired in (slots, None))
    for blocked, plain in zip(by_block, by_welch, strict=True):
        assert len(blocked.blocked.ratios) == 2
        assert plain.blocked is None
        assert (blocked.verdict, plain.verdict) == ("equivalent", "undecided")
        assert "6 and 6 passes in 2 blocks" in blocked.words


def families(make, count):
    """For so many comparisons with nothing changed, three metrics over two roads each: contrasts over whole passes."""
    metrics, roads = ("jerk_z", "weighted_z", "acceleration_z"), {"rough": 60.0, "medium": 20.0}
    for seed in range(count):
        drives = make.invented(seed, roads=roads, metrics=metrics)
        yield [
            contrast(*([drive.whole[metric] for drive in drives.of(road, side)] for side in ("before", "after")), 0.10)
            for road in roads
            for metric in metrics
        ]


def test_a_family_with_nothing_changed_raises_a_false_alarm_in_at_most_5_percent(make):
    """Windows are correlated (0.6 at lag 1) and heavy-tailed, every pass has a level of its own: the unit is the pass.

    150 families of six findings; three standard errors are allowed for.
    """
    alarms, covers = [], []
    for family in families(make, 150):
        verdicts = [
            verdict(of.ratio, p_difference, p_equivalence, ALPHA)
            for of, p_difference, p_equivalence in zip(
                family,
                holm([of.p_difference for of in family]),
                holm([of.p_equivalence for of in family]),
                strict=True,
            )
        ]
        alarms.append(bool({"harsher", "gentler"} & set(verdicts)))
        covers += [of.interval[0] <= 1 <= of.interval[1] for of in family]
    assert np.mean(alarms) <= 0.05 + 3 * (0.05 * 0.95 / 150) ** 0.5
    assert np.mean(covers) == pytest.approx(0.95, abs=0.025)


def test_windows_taken_for_independent_tell_parts_different_that_are_not(make):
    """A short run of `window_t_test.py`: what common practice would have said of the same passes."""
    script = runpy.run_path(str(Path(__file__).parents[1] / "window_t_test.py"))
    by_windows, by_passes = script["false_alarms"](make, range(300), 0.06)
    assert by_windows > 0.15
    assert by_passes <= 0.05 + 3 * (0.05 * 0.95 / 300) ** 0.5
