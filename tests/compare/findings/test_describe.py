"""The verdict's precedence, and the words of a finding in each of its states."""

from __future__ import annotations

from dataclasses import replace

import pytest
from towertap.compare.findings.describe import summary, verdict
from towertap.compare.findings.find import find
from towertap.compare.stats.power import ALPHA

LARGE = {"pass_spread": 0.01, "seconds": 200, "roads": {"quarry-lane": 60.0}}
"""Long passes that hardly differ."""


@pytest.fixture
def finding_of(make):
    """A function from how drives are invented to the finding over their one rough road."""

    def finding_of(seed, margin=0.10, **options):
        (finding,) = find(make.on_whole_passes(make.invented(seed, **options), margin=margin), None)
        return finding

    return finding_of


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


def test_a_larger_change_is_harsher_and_the_words_say_where_the_interval_lies(finding_of):
    finding = finding_of(1, ratio=1.4, **LARGE)
    assert finding.verdict == "harsher"
    assert finding.interval[0] > 1.1
    for words in (
        "harsher",
        "polyurethane",
        "rubber",
        "95 % interval",
        "4 and 4 passes",
        "The whole interval lies beyond the margin of 10 %",
    ):
        assert words in finding.words


def test_a_smaller_change_is_gentler(finding_of):
    finding = finding_of(1, ratio=0.7, **LARGE)
    assert finding.verdict == "gentler"
    assert "lower" in finding.words


def test_nothing_changed_and_small_spread_is_equivalent(finding_of):
    finding = finding_of(3, n=(6, 6), **LARGE)
    assert finding.verdict == "equivalent"
    assert "two one-sided tests" in finding.words
    assert "There is a difference" not in finding.words


def test_a_certain_change_inside_the_margin_is_equivalent_and_said_to_be_real(finding_of):
    finding = finding_of(3, ratio=1.06, n=(12, 12), margin=0.15, **LARGE)
    assert finding.p_difference_holm < 0.05
    assert finding.verdict == "equivalent"
    assert "There is a difference, but too small to count by that margin." in finding.words


def test_undecided_says_how_many_passes_would_tell_and_never_that_nothing_changed(finding_of):
    finding = finding_of(5, n=(3, 3), pass_spread=0.05)
    assert finding.p_difference > 0.05
    assert finding.verdict == "undecided"
    assert "not evidence that nothing changed" in finding.words
    assert f"on each side, {finding.passes_needed} in all" in finding.words
    wild = finding_of(5, n=(3, 3), pass_spread=0.5)
    assert wild.passes_needed is None
    assert "even 100 passes a side would not settle it" in wild.words


@pytest.mark.parametrize("n", [(1, 1), (1, 5), (5, 1)])
def test_one_pass_a_side_is_undecided_whatever_the_change_and_says_why(finding_of, n):
    finding = finding_of(1, ratio=3.0, n=n)
    assert (finding.verdict, finding.interval, finding.p_difference_holm) == ("undecided", None, None)
    assert finding.ratio == pytest.approx(3.0, rel=0.4)
    assert f"{n[0]} pass{'es' if n[0] > 1 else ''} with rubber," in finding.words
    assert not finding.cautions
    assert "A side with one pass does not show how far passes differ" in finding.words


def test_copies_of_one_pass_are_undecided_and_say_why(make):
    table = {"jerk_z": [40.0, 50.0, 60.0]}
    passes = [make.one_pass(table, side, "quarry-lane", n) for side in ("before", "after") for n in (1, 2, 3)]
    (finding,) = find(make.on_whole_passes(make.drives_of(passes)), None)
    assert (finding.verdict, finding.ratio, finding.interval) == ("undecided", 1.0, None)
    assert "copies of one recording" in finding.words


def test_a_difference_that_only_stands_alone_is_undecided_and_the_words_say_so(make):
    """Holm 1979: one p just below 0.05 among several findings is what chance gives."""
    metrics = ("jerk_z", "weighted_z", "acceleration_z")
    alone = [
        finding
        for seed in (9, 15)
        for finding in find(make.on_whole_passes(make.invented(seed, metrics=metrics), metrics), None)
        if finding.p_difference < 0.05 <= finding.p_difference_holm and finding.verdict == "undecided"
    ]
    assert len(alone) == 2
    assert all("Alone it would pass for a difference" in finding.words for finding in alone)


def test_a_difference_is_told_beside_what_people_feel(make, finding_of):
    """The 6.7 to 11 % of the literature; of jerk, that it was found for acceleration; of other axes nothing."""
    finding = finding_of(2, ratio=1.3)
    low, high = (100 * (end - 1) for end in finding.interval)
    assert finding.verdict == "harsher"
    assert (
        "For scale: people notice changes of acceleration, not of jerk, of about 7 to 11 % on a seat; this is "
        f"{low:.0f} to {high:.0f} % at a hard point of the body, which is no seat."
    ) in finding.words
    drives = make.invented(2, ratio=1.3, metrics=("jerk_x",))
    (lengthwise,) = find(make.on_whole_passes(drives, ("jerk_x",)), None)
    assert (lengthwise.verdict, "people notice" in lengthwise.words) == ("harsher", False)


def test_where_a_finding_rests_on_whole_passes_the_words_say_why(finding_of):
    assert finding_of(1).words.endswith("It rests on whole passes because nobody aligned it.")


def test_the_summary_goes_by_metric_and_tells_how_large_a_difference_is(make):
    metrics = ("jerk_z", "weighted_z")
    drives = make.invented(1, ratio=1.4, metrics=metrics, **LARGE | {"roads": {"a": 50.0, "b": 60.0}})
    findings = find(make.on_whole_passes(drives, metrics), None)
    ratios = {(finding.metric, finding.road): finding.ratio for finding in findings}
    assert summary(findings) == " ".join(
        f"{label}: harsher on a (× {ratios[name, 'a']:.2f}) and b (× {ratios[name, 'b']:.2f})."
        for name, label in (("jerk_z", "Jerk z"), ("weighted_z", "Weighted z"))
    )


def test_the_summary_names_decided_verdicts_first(make):
    (finding,) = find(make.on_whole_passes(make.invented(1)), None)
    findings = [
        replace(finding, road="a", verdict="undecided"),
        replace(finding, road="b", verdict="equivalent", ratio=1.02),
        replace(finding, road="c", verdict="harsher", ratio=1.31),
    ]
    assert (
        summary(findings)
        == "Jerk z: harsher on c (× 1.31), equivalent on b (× 1.02, inside the margin), undecided on a."
    )
