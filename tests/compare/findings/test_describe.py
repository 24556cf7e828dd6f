"""The words of a finding in each of its states, and the sentence over all."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from towertap.compare.findings.describe import headline, summary
from towertap.compare.findings.find import find

LARGE = {"pass_spread": 0.01, "seconds": 200, "roads": {"quarry-lane": 60.0}}
"""Long passes that hardly differ."""
START = datetime(2026, 5, 4, 9, tzinfo=UTC)


@pytest.fixture
def finding_of(make):
    """A function from how drives are invented to the finding over their one rough road, all driven on one day."""

    def finding_of(seed, margin=0.10, **options):
        drives = make.invented(seed, **options)
        dated = replace(drives, passes=tuple(replace(drive, started=START) for drive in drives.passes))
        _, (finding,) = find(make.on_whole_passes(dated, margin=margin), None)
        return finding

    return finding_of


def test_a_larger_change_is_harsher_and_the_words_hold_both_statements(finding_of):
    finding = finding_of(1, ratio=1.4, **LARGE)
    assert (finding.verdict, finding.on_these_drives) == ("harsher", "harsher")
    assert finding.words.startswith("Jerk z on quarry-lane: harsher. These drives: with polyurethane ")
    for words in (
        "than with rubber over the whole passes",
        "95 % interval from",
        "4 and 4 passes",
        "About the part: 95 % interval from",
        "after Holm's adjustment for 1 finding; installations taken to differ by 3.0 % (assumed until a control",
        "It would not stand if installations differ by more than ",
    ):
        assert words in finding.words


def test_a_smaller_change_is_gentler(finding_of):
    finding = finding_of(1, ratio=0.7, **LARGE)
    assert finding.verdict == "gentler"
    assert "lower" in finding.words


def test_nothing_changed_and_small_spread_is_equivalent_on_these_drives(finding_of):
    finding = finding_of(3, n=(6, 6), **LARGE)
    assert finding.on_these_drives == "equivalent"
    assert "no change that counts on these drives" in headline(finding) or finding.verdict == "equivalent"


def test_what_shows_on_these_drives_alone_says_what_else_it_may_be(finding_of):
    finding = finding_of(3, n=(6, 6), ratio=1.06, margin=0.03, **LARGE)
    assert (finding.on_these_drives, finding.verdict) == ("harsher", "undecided")
    assert headline(finding) == "undecided, more on these drives: the part, or the way it was installed"
    assert "More passes of the same kind do not settle it; more installations or days do" in finding.words


def test_undecided_says_how_many_passes_would_tell_and_never_that_nothing_changed(finding_of):
    finding = finding_of(5, n=(3, 3), pass_spread=0.05)
    assert (finding.on_these_drives, finding.verdict) == ("undecided", "undecided")
    assert "this is not evidence that nothing changed" in finding.words
    assert f"As they vary, {finding.passes_needed} passes a side would settle it 4 times in 5" in finding.words
    wild = finding_of(5, n=(3, 3), pass_spread=0.5)
    assert wild.passes_needed is None
    assert "As they vary, even 48 would not settle it" in wild.words


@pytest.mark.parametrize("n", [(1, 1), (1, 5), (5, 1)])
def test_one_pass_a_side_is_undecided_whatever_the_change_and_says_why(finding_of, n):
    finding = finding_of(1, ratio=3.0, n=n)
    assert (finding.verdict, finding.on_these_drives) == ("undecided", "undecided")
    assert (finding.interval, finding.part.interval, finding.p_difference_holm) == (None, None, None)
    assert finding.ratio == pytest.approx(3.0, rel=0.4)
    assert f"{n[0]} pass{'es' if n[0] > 1 else ''} with rubber," in finding.words
    assert not finding.cautions
    assert "A side with one pass does not show how far passes differ" in finding.words


def test_copies_of_one_pass_are_undecided_and_say_why(make):
    table = {"jerk_z": [40.0, 50.0, 60.0]}
    passes = [make.one_pass(table, side, "quarry-lane", n) for side in ("before", "after") for n in (1, 2, 3)]
    _, (finding,) = find(make.on_whole_passes(make.drives_of(passes)), None)
    assert (finding.verdict, finding.interval) == ("undecided", None)
    assert finding.ratio == pytest.approx(1.0)
    assert "copies of one recording" in finding.words


def test_the_summary_goes_by_metric_and_tells_how_large_a_difference_is(make):
    metrics = ("jerk_z", "weighted_z")
    drives = make.invented(1, ratio=1.5, metrics=metrics, **LARGE | {"roads": {"a": 50.0, "b": 60.0}})
    _, findings = find(make.on_whole_passes(drives, metrics), None)
    ratios = {(finding.metric, finding.road): finding.ratio for finding in findings}
    assert summary(findings) == " ".join(
        f"{label}: harsher on a (× {ratios[name, 'a']:.2f}) and b (× {ratios[name, 'b']:.2f})."
        for name, label in (("jerk_z", "Jerk z"), ("weighted_z", "Weighted z"))
    )


def test_the_summary_names_decided_verdicts_first(make):
    _, (finding,) = find(make.on_whole_passes(make.invented(1)), None)
    findings = [
        replace(finding, road="a", verdict="undecided"),
        replace(finding, road="b", verdict="equivalent", ratio=1.02),
        replace(finding, road="c", verdict="harsher", ratio=1.31),
    ]
    assert summary(findings) == (
        "Jerk z: harsher on c (× 1.31), equivalent on b (× 1.02, inside the margin), undecided on a."
    )
