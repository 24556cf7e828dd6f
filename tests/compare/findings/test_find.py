"""Findings from a laid-out study: two statements, families, blocks, and what they rest on."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from towertap.compare.drives.slots import Slot
from towertap.compare.findings.find import find
from towertap.compare.road.places import PassValue, whole_value
from towertap.compare.stats.contrast import LEAST_P, contrast, holm, verdict
from towertap.compare.stats.part import LEAST_P_GIVEN
from towertap.compare.stats.planning import power_on_drives
from towertap.compare.study import lay_out
from towertap.words.numbers import range_percent
from towertap.words.phrases import sentence_case

from tests.compare import window_rates

MIRROR = {"harsher": "gentler", "gentler": "harsher", "equivalent": "equivalent", "undecided": "undecided"}


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
    assert verdict(ratio, p_difference, p_equivalence) == expected


def on_the_road(study, primary=None):
    """The one finding over the one rough road of a study."""
    overall, (finding,) = find(study, primary)
    assert overall == ()
    return finding


def test_swapping_the_parts_swaps_both_verdicts_and_nothing_else(make):
    seen = set()
    for seed, ratio in [(1, 1.4), (2, 0.7), (3, 1.0), (4, 1.1), (5, 0.95)]:
        drives = make.invented(seed, ratio=ratio, pass_spread=0.01, seconds=200)
        forward, back = (on_the_road(make.on_whole_passes(each)) for each in (drives, make.swapped(drives)))
        assert (back.verdict, back.on_these_drives) == (MIRROR[forward.verdict], MIRROR[forward.on_these_drives])
        assert back.ratio == pytest.approx(1 / forward.ratio)
        seen |= {forward.verdict, forward.on_these_drives}
    assert seen >= {"harsher", "gentler", "equivalent"}


def test_both_sides_rest_on_the_same_places_and_the_finding_swaps(make):
    drives = make.driven(1)
    forward, back = (on_the_road(lay_out(each, 0.10, ["jerk_z"], None)) for each in (drives, make.swapped(drives)))
    places = {(value.rough_places, value.places) for value in (*forward.before_values, *forward.after_values)}
    assert (forward.basis, forward.whole_because) == ("rough places", None)
    assert len(places) == 1
    assert back.ratio == pytest.approx(1 / forward.ratio)


def test_a_finding_over_rough_places_also_has_the_contrast_over_whole_passes(make):
    """The statistics of both are those of `contrast` over the passes' own values."""
    finding = on_the_road(lay_out(make.driven(1, ratio=1.1), 0.10, ["jerk_z"], None))
    sides = (finding.before_values, finding.after_values)
    over_places = contrast(*([value.value for value in side] for side in sides), 0.10)
    over_whole = contrast(*([value.whole for value in side] for side in sides), 0.10)
    assert finding.basis == "rough places"
    assert (finding.ratio, *finding.interval) == pytest.approx((over_places.ratio, *over_places.interval))
    assert (finding.whole.ratio, *finding.whole.interval) == pytest.approx((over_whole.ratio, *over_whole.interval))
    assert finding.ratio != finding.whole.ratio


def with_a_stray(make):
    """One of the passes was driven over another road."""
    drives = make.driven(1)
    stray = make.driven(99).of("lane", "after")[0]
    passes = (
        replace(stray, path=drive.path) if drive.name == "lane-polyurethane-1" else drive for drive in drives.passes
    )
    return replace(drives, passes=tuple(passes))


@pytest.mark.parametrize(
    ("spoilt", "basis", "says"),
    [
        (
            lambda make: make.driven(2, level=10.0),
            "all places that every pass covers",
            "places are over the roughness limit",
        ),
        (with_a_stray, "whole passes", "the road's fingerprint is not found again in lane-polyurethane-1"),
    ],
    ids=["too few rough places", "a pass over another road"],
)
def test_a_road_with_too_few_rough_places_rests_on_all_of_it_and_says_why(make, spoilt, basis, says):
    finding = on_the_road(lay_out(spoilt(make), 0.10, ["jerk_z"], None))
    assert finding.basis == basis
    whole = finding.whole
    same = 1e-9 if basis == "whole passes" else 0.03
    assert (finding.ratio, *finding.interval) == pytest.approx((whole.ratio, *whole.interval), rel=same)
    assert says in finding.whole_because
    because = sentence_case(finding.whole_because)
    assert finding.cautions[0].words == f"{because}: the finding rests on {basis}, smooth stretches and all."


class TwiceAfter:
    """Rough places over which the part after is twice as rough as over its whole passes."""

    basis, whole_because, share, bursts, loud_passes = "rough places", None, 0.5, 0, ()

    def value(self, drive):
        whole = whole_value(drive, "jerk_z")
        over_places = 2 * whole if drive.side == "after" else whole
        return PassValue(drive.name, drive.conditions.pass_number, 10, 5, whole, over_places)


def test_a_change_that_differs_on_smooth_stretches_gets_a_caution(make):
    study = make.on_whole_passes(make.invented(3, pass_spread=0.01))
    finding = on_the_road(replace(study, roads=(replace(study.roads[0], rough={"jerk_z": TwiceAfter()}),)))
    assert finding.ratio == pytest.approx(2 * finding.whole.ratio)
    (caution,) = finding.cautions
    whole = range_percent(finding.whole.interval)
    assert caution.words.endswith(f" differs from that over whole passes ({whole}).")


def test_a_place_where_one_pass_alone_is_loud_is_left_out_and_reported(make):
    """Somebody drove over a branch: three seconds of one pass, ten times as loud."""
    drives = make.driven(1)
    first = drives.of("lane", "after")[0]
    on_branch = (first.cells["start_s"] >= 15.0) & (first.cells["start_s"] <= 18.0)
    levels = make.levels_of(first)
    branch = levels | {"jerk_z": levels["jerk_z"] * np.where(on_branch, 10.0, 1.0)}
    loud = tuple(make.of_cells(drive, branch) if drive is first else drive for drive in drives.passes)
    calm, burst = (
        on_the_road(lay_out(each, 0.10, ["jerk_z"], None)) for each in (drives, replace(drives, passes=loud))
    )
    assert calm.loud_passes == ()
    assert 2 <= burst.bursts - calm.bursts <= 5
    assert burst.loud_passes == (first.name,)
    assert burst.ratio == pytest.approx(calm.ratio, rel=0.03)
    assert burst.whole.ratio > 1.1 * burst.ratio
    assert f"Left out: {burst.bursts} places where one pass alone was by far the loudest" in burst.words


def test_the_pass_that_a_verdict_hangs_on_is_named(make):
    """Without the one pass that strays, three and four passes agree that it is harsher."""
    study = make.on_whole_passes(make.invented(1, ratio=1.2, pass_spread=0.005, seconds=200))
    (road,) = study.roads
    strays = tuple(
        make.scaled(drive, 0.8) if drive.name == "quarry-lane-polyurethane-4" else drive for drive in road.passes
    )
    drives = replace(study.drives, passes=(*study.drives.of("bypass"), *strays))
    finding = on_the_road(make.on_whole_passes(drives))
    assert finding.on_these_drives == "undecided"
    assert finding.influence.hangs_on[0] == "quarry-lane-polyurethane-4"
    assert any(caution.words.startswith("Leaving out ") for caution in finding.cautions)


def p_from(finding, statement):
    """Student's p of no difference by scipy, from the reported ratio, standard error and df."""
    return 2 * stats.t.sf(abs(np.log(finding.ratio)) / statement.standard_error, statement.df)


def test_the_primary_metric_is_a_family_of_its_own(make):
    """Holm (1979) by statsmodels, over the primary metric's roads and over all others'; without it, over all."""
    roads = {"quarry-lane": 40.0, "moor-road": 30.0}
    metrics = ("jerk_z", "weighted_z", "acceleration_z")
    study = make.on_whole_passes(make.invented(5, ratio=1.25, roads=roads, metrics=metrics), metrics)
    (overall, apart), (_, together) = find(study, "jerk_z"), find(study, None)
    families = [
        [finding for finding in apart if finding.metric == "jerk_z"],
        [finding for finding in apart if finding.metric != "jerk_z"],
        list(together),
        [finding for finding in overall if finding.metric == "jerk_z"],
    ]
    assert [{(finding.family, finding.primary) for finding in family} for family in families] == [
        {(2, True)},
        {(4, False)},
        {(6, None)},
        {(1, True)},
    ]
    for family in families:
        adjusted = multipletests([p_from(finding, finding) for finding in family], method="holm")[1]
        assert [finding.p_difference_holm for finding in family] == pytest.approx(np.fmax(adjusted, LEAST_P).tolist())
        wider = [max(p_from(finding, finding), p_from(finding, finding.part)) for finding in family]
        adjusted_part = multipletests(wider, method="holm")[1]
        assert [finding.part.p_difference_holm for finding in family] == pytest.approx(
            np.fmax(adjusted_part, LEAST_P_GIVEN).tolist()
        )
    assert [(finding.road, finding.metric) for finding in apart] == [
        (finding.road, finding.metric) for finding in together
    ]


def test_the_change_of_the_smooth_road_is_divided_out_and_read(make):
    """After drives on which everything, the smooth road too, is 20 % rougher: the ratio of ratios is 1, by hand."""
    drives = make.invented(2, pass_spread=0.01, seconds=200)
    louder = tuple(make.scaled(drive, 1.2) if drive.side == "after" else drive for drive in drives.passes)
    finding = on_the_road(make.on_whole_passes(replace(drives, passes=louder)))
    smooth = [[whole_value(drive, "jerk_z") for drive in drives.of("bypass", side)] for side in ("before", "after")]
    of_smooth = 1.2 * stats.gmean(smooth[1]) / stats.gmean(smooth[0])
    assert finding.over_smooth.smooth == pytest.approx(of_smooth)
    assert finding.over_smooth.ratio == pytest.approx(finding.ratio / of_smooth)
    assert finding.over_smooth.reading == "moved alike"
    (alone,) = make.on_whole_passes(replace(drives, passes=drives.of("quarry-lane"))).roads
    assert on_the_road(replace(make.on_whole_passes(drives), roads=(alone,), smooth=None)).over_smooth is None


def dated(drives, days):
    """The drives, dated by a function from a pass to the day of the month."""
    return replace(
        drives,
        passes=tuple(replace(drive, started=datetime(2026, 5, days(drive), 9, tzinfo=UTC)) for drive in drives.passes),
    )


def test_one_day_per_part_shows_a_change_on_these_drives_but_not_of_the_part(make):
    """6 % on drives that hardly vary: installations and days, assumed to differ by 3 % each, may cause that."""
    drives = make.invented(3, ratio=1.06, n=(6, 6), pass_spread=0.005, seconds=200)
    finding = on_the_road(make.on_whole_passes(dated(drives, lambda drive: 4 if drive.side == "before" else 5)))
    assert finding.on_these_drives in ("harsher", "equivalent")
    assert (finding.verdict, finding.about) == ("undecided", "part or day")
    overlap = finding.overlap
    assert (overlap.installation_coefficient, overlap.day_coefficient) == pytest.approx((2.0, 2.0))
    low, high = finding.part.interval
    assert low < finding.interval[0] < finding.interval[1] < high


def test_both_parts_on_one_day_cancel_the_day(make):
    drives = make.invented(3, ratio=1.5, n=(6, 6), pass_spread=0.005, seconds=200)
    finding = on_the_road(make.on_whole_passes(dated(drives, lambda drive: 4)))
    assert finding.overlap.within_day == 1.0
    assert finding.overlap.day_coefficient == pytest.approx(0.0)
    assert (finding.verdict, finding.about) == ("harsher", "part")
    assert finding.part.day.overturned_at == np.inf
    assert 0.03 < finding.part.installation.overturned_at < 1


def test_passes_needed_are_counted_at_the_middle_estimate_of_the_spread(make):
    """The fewest that show the margin, and equivalence without a change, 4 times in 5; χ² by scipy."""
    finding = next(
        finding
        for seed in range(40)
        if (finding := on_the_road(make.on_whole_passes(make.invented(seed, ratio=1.06, n=(3, 3))))).passes_needed
    )
    spread = finding.standard_error / np.sqrt(2 / 3)
    middle = spread * np.sqrt(finding.df / stats.chi2.median(finding.df))

    def power(passes):
        reached = power_on_drives(1, passes, middle, 0.1, 0.05)
        return min(*reached.told, reached.equivalent)

    assert finding.on_these_drives == "undecided"
    assert power(finding.passes_needed - 1) < 0.8 <= power(finding.passes_needed)
    assert f"{finding.passes_needed} passes per side would settle it 4 times in 5" in finding.words


def test_a_drift_between_blocks_cancels_but_blinds_welchs_test(make):
    """A B B A: the passes of the second block are 20 % rougher, whatever is fitted."""
    drives = make.invented(3, n=(6, 6), pass_spread=0.01, seconds=120, roads={"quarry-lane": 60.0, "moor-road": 60.0})
    later = (make.scaled(drive, 1.2) if drive.conditions.pass_number > 3 else drive for drive in drives.passes)
    drives = replace(drives, passes=tuple(later))
    planned = {}
    for drive in drives.passes:
        block = 1 if drive.conditions.pass_number <= 3 else 2
        key = drive.conditions.part, drive.road, drive.conditions.pass_number
        planned[key] = Slot(block, 2 if drive.side == "after" else 2 * block - 1)
    by_block, by_welch = (find(make.on_whole_passes(drives, planned=slots), None)[1] for slots in (planned, None))
    for blocked, plain in zip(by_block, by_welch, strict=True):
        assert len(blocked.block_ratios) == 2
        assert plain.block_ratios == ()
        assert (blocked.on_these_drives, plain.on_these_drives) == ("equivalent", "undecided")


def families(make, count):
    """Contrasts over whole passes of comparisons with nothing changed, three metrics over two roads each."""
    metrics, roads = ("jerk_z", "weighted_z", "acceleration_z"), {"rough": 60.0, "medium": 20.0}
    for seed in range(count):
        drives = make.invented(seed, roads=roads, metrics=metrics)
        yield [
            contrast(
                *([make.rms(drive.windows(metric)) for drive in drives.of(road, side)] for side in ("before", "after")),
                0.10,
            )
            for road in roads
            for metric in metrics
        ]


def test_a_family_with_nothing_changed_raises_a_false_alarm_in_at_most_5_percent(make):
    """Windows are correlated (0.6 at lag 1) and heavy-tailed, every pass has its own level: the unit is the pass.

    150 families of six findings; three standard errors are allowed for.
    """
    alarms, covers = [], []
    for family in families(make, 150):
        verdicts = [
            verdict(of.ratio, p_difference, p_equivalence)
            for of, p_difference, p_equivalence in zip(
                family,
                holm([finding.p_difference for finding in family]),
                holm([finding.p_equivalence for finding in family]),
                strict=True,
            )
        ]
        alarms.append(bool({"harsher", "gentler"} & set(verdicts)))
        covers += [finding.interval[0] <= 1 <= finding.interval[1] for finding in family]
    assert np.mean(alarms) <= 0.05 + 3 * (0.05 * 0.95 / 150) ** 0.5
    assert np.mean(covers) == pytest.approx(0.95, abs=0.025)


def test_windows_taken_as_independent_show_false_differences(make):
    """A short run of `window_rates.py`: what common practice would say of the same passes."""
    by_windows, by_passes = window_rates.false_alarms(make, range(300), 0.06)
    assert by_windows > 0.15
    assert by_passes <= 0.05 + 3 * (0.05 * 0.95 / 300) ** 0.5
