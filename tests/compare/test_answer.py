"""The answer on made-up comparisons: what a customer reads for every kind of finding and doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from towertap.bench.sharing import Share
from towertap.compare.answer import AGAIN, MOST_WORDS, Case, all_cautions, answer
from towertap.compare.caution import Caution, Weight, ranked
from towertap.compare.drives.model import Excluded
from towertap.compare.findings.departures import DRIVE_THE_REST, Departure
from towertap.compare.findings.find import find

START = datetime(2026, 5, 4, 9, tzinfo=UTC)
ROADS = {"moor-road": 50.0, "quarry-lane": 60.0}
SURE = {"pass_spread": 0.005, "seconds": 150, "n": (6, 6)}
"""Long passes that hardly vary."""


def dated(drives, days_later=0):
    """The drives, all on one day, or those after `days_later`."""

    def began(drive):
        return START + timedelta(days=days_later * (drive.side == "after"))

    return replace(drives, passes=tuple(replace(drive, started=began(drive)) for drive in drives.passes))


@pytest.fixture(scope="module")
def case_of(make):
    """A function from drives to the case of their answer, over whole passes."""

    def case_of(drives, primary="jerk_z", metrics=("jerk_z",), **options):
        study = make.on_whole_passes(drives, metrics, **options)
        return Case(drives, *find(study, primary), None)

    return case_of


@pytest.fixture(scope="module")
def harsher(make, case_of):
    """Two roads, both half as rough again with the part after."""
    case = case_of(dated(make.invented(1, ratio=1.5, roads=ROADS, **SURE)))
    return replace(case, overall=(replace(case.lead, roads_differ=False),))


def checked_answer(case, further=(), departed=()):
    """The answer, checked to be short, without metric names or ratios, and without repetition."""
    cautions = all_cautions(case, departed, further)
    result = answer(case, cautions)
    assert len(str(result).split()) <= MOST_WORDS
    assert "jerk_z" not in str(result)
    assert "×" not in str(result)
    assert len({caution.words for caution in cautions}) == len(cautions)
    return result


def of_roads(case, changes):
    """The case with its findings changed by road."""
    findings = tuple(replace(finding, **changes.get(finding.road, {})) for finding in case.findings)
    return replace(case, findings=findings)


def test_all_harsher_is_one_verdict_with_its_size_and_what_it_rests_on(harsher):
    result = checked_answer(harsher)
    assert result.verdict == "harsher"
    assert result.headline.startswith("Harsher: with polyurethane, jerk z (how suddenly the force comes) is 51 %")
    assert "higher than with rubber on both rough roads (+" in result.change
    assert result.sure.startswith("6 passes with each part on each road, one day, each installed once; chance rarely")
    assert result.others == ""
    assert result.cautions[0].startswith(
        "Installed once only: rubber and polyurethane. It is assumed that installations differ by 3 %; if by more than"
    )
    assert result.next_step == f"{AGAIN} installation."


@pytest.mark.parametrize(
    ("gone", "says"),
    [
        (["moor-road-rubber-1"], "5 to 6 passes with rubber and 6 with polyurethane on each road"),
        (["moor-road-rubber-1", "moor-road-rubber-2", "quarry-lane-rubber-1"], "4 to 5 passes with rubber and 6 with"),
        (["moor-road-rubber-1", "moor-road-polyurethane-2"], "5 to 6 passes with each part on each road"),
        (["moor-road-rubber-1", "quarry-lane-rubber-2"], "5 passes with rubber and 6 with polyurethane on each road"),
    ],
)
def test_no_more_passes_are_claimed_than_every_road_has(make, case_of, gone, says):
    drives = dated(make.invented(1, ratio=1.5, roads=ROADS, **SURE))
    fewer = tuple(drive for drive in drives.passes if drive.name not in gone)
    assert len(fewer) == len(drives.passes) - len(gone)
    assert checked_answer(case_of(replace(drives, passes=fewer))).sure.startswith(says)


def test_gentler_on_one_road_names_the_road(make, case_of):
    result = checked_answer(case_of(dated(make.invented(1, ratio=0.6, **SURE))))
    assert result.verdict == "gentler"
    assert "lower than with rubber on quarry-lane (−" in result.change


def test_the_reported_interval_is_the_parts(harsher):
    low, high = (100 * (end - 1) for end in harsher.lead.part.interval)
    assert f"(+{low:.0f} to +{high:.0f} %)" in checked_answer(harsher).change
    assert checked_answer(harsher).sure.endswith("the range holds 19 times in 20.")


def test_roads_that_contradict_each_other_are_listed_and_never_averaged(harsher):
    mixed = of_roads(harsher, {"moor-road": {"verdict": "gentler", "ratio": 0.8, "interval": (0.7, 0.9)}})
    result = checked_answer(mixed)
    assert result.verdict == "mixed"
    assert "harsher on quarry-lane (+" in result.change
    assert "gentler on moor-road (−20 %)" in result.change
    assert str(round(100 * (mixed.lead.ratio - 1))) + " %" not in result.change.replace("quarry-lane", "")[:60]
    assert mixed.lead.verdict == "harsher"
    assert "19 times in 20" not in result.sure, "this range is not reported"


def test_a_road_that_would_not_show_it_alone_is_named(harsher):
    result = checked_answer(of_roads(harsher, {"moor-road": {"verdict": "undecided"}}))
    assert result.verdict == "harsher"
    assert result.change.endswith("; moor-road alone would not show it")


def test_roads_with_one_verdict_that_differ_in_size_are_reported_with_their_own(harsher):
    (overall,) = harsher.overall
    result = checked_answer(replace(harsher, overall=(replace(overall, roads_differ=True),)))
    assert result.verdict == "harsher"
    assert ", by roads moor-road (+" in result.change
    assert "quarry-lane (+" in result.change


def test_metrics_that_differ_are_reported_as_such(make, case_of):
    drives = dated(make.invented(1, ratio=1.5, roads=ROADS, metrics=("jerk_z", "weighted_z", "primary_z"), **SURE))
    case = case_of(drives, metrics=("jerk_z", "weighted_z", "primary_z"))
    other = {"weighted_z": "equivalent", "primary_z": "undecided"}
    overall = tuple(
        replace(finding, verdict=other.get(finding.metric, finding.verdict), on_these_drives="undecided")
        for finding in case.overall
    )
    result = checked_answer(replace(case, overall=overall))
    size = f"{100 * (case.overall[1].ratio - 1):.0f} %"
    assert result.others == (
        f"Weighted z (vibration, weighted as people feel it): no change that counts (+{size}); primary z: undecided."
    )


def test_an_interval_without_zero_that_shows_no_change_is_explained(harsher):
    (overall,) = harsher.overall
    part = replace(overall.part, interval=(1.01, 1.4), p_difference_holm=0.08)
    lost = replace(overall, verdict="undecided", on_these_drives="undecided", part=part, family=3)
    case = of_roads(replace(harsher, overall=(lost,)), {name: {"verdict": "undecided"} for name in ROADS})
    result = checked_answer(case)
    assert result.verdict == "undecided"
    assert result.change.endswith("(+1 to +40 %), which shows no change after allowing for 3 findings (p 0.080)")


@pytest.mark.parametrize(("on_these_drives", "shown"), [("harsher", "more"), ("equivalent", "within ±10 %")])
def test_the_others_have_the_verdict_about_the_part(make, case_of, on_these_drives, shown):
    drives = dated(make.invented(1, ratio=1.5, metrics=("jerk_z", "weighted_z"), **SURE))
    case = case_of(drives, metrics=("jerk_z", "weighted_z"))
    first, other = case.findings
    other = replace(other, verdict="undecided", on_these_drives=on_these_drives)
    result = checked_answer(replace(case, findings=(first, other)))
    assert result.others.endswith(f": undecided about the part (on these drives {shown}).")


def test_without_a_plan_the_first_metric_leads_and_the_answer_says_so(make, case_of):
    drives = dated(make.invented(1, ratio=1.5, metrics=("weighted_z", "jerk_z"), **SURE))
    result = checked_answer(case_of(drives, None, ("weighted_z", "jerk_z")))
    assert result.change.startswith("with polyurethane, weighted z (vibration, weighted as people feel it) is ")
    assert result.sure.endswith("; no plan says what decides, so the first metric does.")


def test_undecided_gives_the_size_and_the_passes_that_would_decide(make, case_of):
    case = case_of(dated(make.invented(5, n=(3, 3), pass_spread=0.05)))
    result = checked_answer(case)
    assert result.verdict == "undecided"
    assert "neither shows a change nor rules out one of 10 %" in result.change
    assert result.next_step == f"Plan {case.lead.passes_needed} passes per side, as a new set of drives."
    assert "the same" not in str(result).lower()


def test_what_is_left_of_a_plan_is_driven_before_anything_else(make, case_of):
    """An undecided verdict has its own next step, which waits until the plan is driven."""
    case, few = case_of(dated(make.invented(5, n=(3, 3), pass_spread=0.05))), Caution("Few.", remedy=DRIVE_THE_REST)
    assert checked_answer(case).next_step.startswith("Plan ")
    assert checked_answer(case, (few,)).next_step == f"{DRIVE_THE_REST}."


def test_the_next_step_answers_the_gravest_caution_that_has_a_remedy(make, case_of):
    """What settles an undecided verdict waits for what overturns one; another road is the last resort."""
    case = case_of(dated(make.invented(5, n=(3, 3), pass_spread=0.05)))
    grave, few = Caution("Grave.", Weight.OVERTURNS, "Mend it"), Caution("Few.", Weight.WEAKENS, "Drive three passes")
    tyres = Caution("Tyre pressures differ.", Weight.WEAKENS)
    assert checked_answer(case, (few,)).next_step.startswith("Plan ")
    assert checked_answer(case, (tyres, few, grave)).next_step == "Mend it."
    out_of_reach = replace(case, findings=tuple(replace(finding, passes_needed=None) for finding in case.findings))
    assert checked_answer(out_of_reach, (tyres, few)).next_step == "Drive three passes."
    assert checked_answer(out_of_reach, (tyres,)).next_step == "Choose a longer or rougher road."


def test_no_change_that_counts_says_within_what(harsher):
    (overall,) = harsher.overall
    part = replace(overall.part, interval_90=(0.96, 1.05), p_equivalence_holm=0.012)
    calm = replace(overall, ratio=1.004, interval=(0.98, 1.03), verdict="equivalent", part=part)
    quiet = of_roads(replace(harsher, overall=(calm,)), {road: {"verdict": "equivalent"} for road in ROADS})
    result = checked_answer(quiet)
    assert result.headline.startswith("No change that counts: with polyurethane, jerk z")
    assert "changed by 0 % on both rough roads (−4 to +5 %), less than 10 %" in result.change
    assert "chance alone rarely keeps it so close (p = 0.012)" in result.sure


def test_a_change_on_these_drives_alone_is_reported_with_its_other_possible_cause(make, case_of):
    case = case_of(dated(make.invented(3, n=(6, 6), ratio=1.06, pass_spread=0.01, seconds=200)), margin=0.03)
    assert (case.lead.on_these_drives, case.lead.verdict) == ("harsher", "undecided")
    result = checked_answer(case)
    assert result.verdict == "undecided"
    assert result.change.endswith("; it may be the part or how it was installed")
    assert result.next_step == f"{AGAIN} installation."


def test_a_road_drowned_by_noise_is_not_judged(harsher):
    (overall,) = harsher.overall
    noise = Share("jerk_z", 1.0, "m/s³", 0.83, "not judged")
    result = checked_answer(replace(harsher, overall=(replace(overall, noise=noise, verdict="undecided"),)))
    assert result.verdict == "not judged"
    assert "83 % of jerk z" in result.change
    assert "more passes do not help" in result.next_step


@pytest.mark.parametrize(
    ("n", "few"), [((1, 1), "one pass with rubber and one with polyurethane"), ((1, 5), "one pass with rubber")]
)
def test_one_pass_on_a_side_cannot_tell_a_change_from_chance(make, case_of, n, few):
    result = checked_answer(case_of(dated(make.invented(1, ratio=3.0, n=n))))
    assert result.verdict == "undecided"
    assert f"but {few} cannot tell a change from chance" in result.change
    assert result.next_step == "Drive three passes or more with each part."


def test_copies_of_a_pass_are_no_evidence(make, case_of):
    table = {"jerk_z": [40.0, 50.0, 60.0]}
    passes = [make.one_pass(table, side, "quarry-lane", n) for side in ("before", "after") for n in (1, 2, 3)]
    result = checked_answer(case_of(make.drives_of(passes)))
    assert "copies of one recording" in result.change
    assert result.next_step == "Record every pass again."


def test_a_smooth_road_that_changed_as_well_is_the_gravest_caution(make, case_of):
    drives = dated(make.invented(1, ratio=1.3, roads=ROADS, **SURE))
    louder = (
        make.scaled(drive, 1.5) if (drive.road, drive.side) == ("bypass", "after") else drive for drive in drives.passes
    )
    case = case_of(replace(drives, passes=tuple(louder)))
    assert case.lead.over_smooth.reading == "smooth moved more"
    result = checked_answer(case)
    assert result.cautions[0].startswith("The smooth road, bypass, changed even more (+")
    assert result.next_step.startswith("Install rubber again and drive the same roads: if the change goes")


def test_choices_made_after_seeing_the_values_come_first(make, case_of):
    """The smooth road changed as well, which also overturns the verdict."""
    drives = dated(make.invented(1, ratio=1.3, roads=ROADS, **SURE))
    louder = tuple(
        make.scaled(drive, 1.5) if (drive.road, drive.side) == ("bypass", "after") else drive for drive in drives.passes
    )
    struck = replace(drives, passes=louder, excluded=(Excluded("moor-road-rubber-7", "braked", after_values=True),))
    assert checked_answer(case_of(struck)).cautions[0] == (
        "Struck out after the values had been shown: moor-road-rubber-7. No p-value accounts for passes chosen "
        "by their outcome."
    )
    assert "p < " not in str(checked_answer(case_of(struck)))
    margin = Departure("margin", "the margin is 20 %, and 10 % was planned", makes_lead=True)
    unplanned = checked_answer(case_of(replace(struck, excluded=())), departed=(margin,))
    assert unplanned.cautions[0].startswith(
        "Not as planned, perhaps chosen after seeing the data, so a lead and not a decision:"
    )


def test_sides_on_different_days_get_a_caution(make, case_of):
    case = case_of(dated(make.invented(1, ratio=1.5, roads=ROADS, **SURE), days_later=3))
    assert case.lead.overlap.about == "part or day"
    result = checked_answer(case)
    assert "2 days" in result.sure
    assert any(caution.startswith("The two parts were driven on different days") for caution in result.cautions)


def test_parts_driven_on_one_day_except_for_a_few_passes_are_reported_so(make, case_of):
    drives = dated(make.invented(1, ratio=1.5, roads=ROADS, **SURE))
    stray = tuple(
        replace(drive, started=drive.started + timedelta(days=1))
        if (drive.side, drive.conditions.pass_number) in {("after", 5), ("after", 6)}
        else drive
        for drive in drives.passes
    )
    words = [caution.words for caution in all_cautions(case_of(replace(drives, passes=stray)), (), ())]
    assert any(text.startswith("The two parts were driven partly on different days.") for text in words)


def test_captures_without_a_date_claim_nothing_of_days_and_installations(make, case_of):
    case = case_of(make.invented(1, ratio=1.5, roads=ROADS, **SURE))
    assert case.lead.verdict == "harsher"
    result, words = checked_answer(case), " ".join(caution.words for caution in all_cautions(case, (), ()))
    assert "6 passes with each part on each road, how often each was installed is not known; chance" in result.sure
    assert "Not every capture says when it was driven. It is assumed that days differ by 3 %" in words
    assert "driven on different days" not in words
    assert "Installed once only" not in words


def test_passes_that_may_be_of_several_roads_have_no_other_cause(make, case_of):
    """Nothing is judged, so neither the smooth road nor the installations are named as a cause."""
    drives = dated(make.invented(1, ratio=1.3, **SURE))
    louder = (make.scaled(drive, 1.5) if drive.side == "after" else drive for drive in drives.passes)
    study = make.on_whole_passes(replace(drives, passes=tuple(louder)))
    apart = replace(study.roads[0], not_one_road="these may not be one road")
    case = Case(drives, *find(replace(study, roads=(apart,)), "jerk_z"), None)
    (finding,) = case.findings
    assert (finding.verdict, finding.part.installation.overturned_at) == ("undecided", None)
    result = checked_answer(case)
    assert result.verdict == "not judged"
    assert result.cautions == ("These may not be one road: nothing is judged.",)
    assert result.next_step.startswith("Look at the names of roads in 'towertap list'")


def test_captures_left_out_are_reported_and_weigh_more_if_they_are_many(harsher):
    few, many = (
        replace(harsher, drives=replace(harsher.drives, excluded=(Excluded("x", "not sound; drive it again"),) * count))
        for count in (1, 20)
    )
    (caution,) = (caution for caution in all_cautions(few, (), ()) if "left out" in caution.words)
    assert (caution.words, caution.weight) == ("1 capture left out of 37: not sound.", Weight.LIMITS)
    assert checked_answer(few).cautions == checked_answer(harsher).cautions
    assert "20 captures left out of 56: not sound." in checked_answer(many).cautions


def test_a_caution_of_several_findings_is_said_once_with_those_that_it_touches(harsher):
    """Both findings rest on whole passes, which is said once; a caution of one finding alone names that."""
    ((first, second), own) = harsher.findings, Caution("Odd.", Weight.WEAKENS)
    alone = replace(harsher, findings=(replace(first, cautions=(*first.cautions, own)), second))
    words = [caution.words for caution in all_cautions(alone, (), ())]
    assert words.count("Nobody aligned it: the finding rests on whole passes, smooth stretches and all.") == 1
    assert "On moor-road: Odd." in words


def test_cautions_are_ranked_by_weight_and_each_appears_once():
    light, middle, grave = (Caution(weight.name, weight) for weight in Weight)
    assert ranked([light, middle, light, grave, replace(middle, remedy="again")]) == (grave, middle, light)


def test_a_tight_word_limit_drops_customers_words_before_the_next_step(make, case_of):
    metrics = ("jerk_z", "weighted_z")
    case = case_of(dated(make.invented(1, ratio=1.5, roads=ROADS, metrics=metrics, **SURE)), metrics=metrics)
    room = MOST_WORDS - len(str(answer(case, ())).split())
    result = checked_answer(case, (Caution("word " * room, Weight.OVERTURNS, "Mend it"),))
    assert result.others.startswith("Weighted z: harsher (+")
    assert result.next_step == "Mend it."


def test_the_answer_leaves_out_what_makes_it_too_long(harsher):
    long = Caution("word " * 80, Weight.OVERTURNS), Caution("more " * 80, Weight.OVERTURNS)
    result = checked_answer(harsher, long)
    assert result.cautions in ((), (long[0].words,))


def test_what_changed_with_the_part_is_the_first_doubt_and_what_to_do_next(harsher):
    positions = {"before": "sill", "after": "floor"}
    passes = tuple(
        replace(drive, conditions=replace(drive.conditions, box_position=positions[drive.side]))
        for drive in harsher.drives.passes
    )
    result = checked_answer(replace(harsher, drives=replace(harsher.drives, passes=passes)))
    assert result.verdict == "harsher"
    assert result.cautions[0] == "Changed with the part: box position (sill to floor). This could be the cause."
    assert result.next_step.startswith("Change only the part")


def test_a_question_keeps_its_mark(harsher):
    asked = replace(harsher.drives, remarks=("was the box moved?",))
    assert "Was the box moved?" in [caution.words for caution in all_cautions(replace(harsher, drives=asked), (), ())]
