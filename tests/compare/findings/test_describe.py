"""The words of a finding in each of its states, and the table of all findings."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from towertap.compare.findings.describe import findings_table, notes_together, verdict_of
from towertap.compare.findings.find import find
from towertap.compare.stats.design import Overlap
from towertap.words.numbers import change_percent, range_percent

LARGE = {"pass_spread": 0.01, "seconds": 200, "roads": {"quarry-lane": 60.0}}
"""Long passes that hardly vary."""
STRONG = {"verdict": "harsher", "overlap": Overlap(1.0, (3, 3), (3, 3), 0.0, 0.0, None)}
"""Installations and days cancel in it."""
START = datetime(2026, 5, 4, 9, tzinfo=UTC)


@pytest.fixture
def finding_of(make):
    """A function that invents drives of one day and returns the finding over their one rough road."""

    def finding_of(seed, margin=0.10, **options):
        drives = make.invented(seed, **options)
        dated = replace(drives, passes=tuple(replace(drive, started=START) for drive in drives.passes))
        _, (finding,) = find(make.on_whole_passes(dated, margin=margin), None)
        return finding

    return finding_of


def test_a_larger_change_is_harsher_and_the_words_hold_both_statements(finding_of):
    finding = finding_of(1, ratio=1.4, **LARGE)
    assert (finding.verdict, finding.on_these_drives) == ("harsher", "harsher")
    drives, part = (range_percent(interval) for interval in (finding.interval, finding.part.interval))
    change = change_percent(finding.ratio, finding.interval)
    above = 100 * finding.part.installation.overturned_at
    assert finding.words == (
        f"Jerk z on quarry-lane: harsher, {change} ({drives} on these drives, {part} of the part). "
        f"It would not stand if installations differ by more than {above:.0f} % (3 % is assumed)."
    )


def test_a_smaller_change_is_gentler(finding_of):
    finding = finding_of(1, ratio=0.7, **LARGE)
    assert finding.verdict == "gentler"
    assert "gentler, −" in finding.words


def test_nothing_changed_and_small_spread_is_equivalent_on_these_drives(finding_of):
    finding = finding_of(3, n=(6, 6), **LARGE)
    assert finding.on_these_drives == "equivalent"
    assert "no change that counts" in finding.words


def test_a_change_on_these_drives_alone_names_its_other_possible_cause(finding_of):
    finding = finding_of(3, n=(6, 6), ratio=1.06, margin=0.03, **LARGE)
    assert (finding.on_these_drives, finding.verdict) == ("harsher", "undecided")
    assert "These drives show more: the part or how it was installed; more passes of the same kind" in finding.words


def test_undecided_says_how_many_passes_would_decide_and_never_that_nothing_changed(finding_of):
    finding = finding_of(5, n=(3, 3), pass_spread=0.05)
    assert (finding.on_these_drives, finding.verdict) == ("undecided", "undecided")
    assert (
        f"As passes vary, {finding.passes_needed} passes per side would settle it 4 times in 5 "
        f"({100 * finding.assurance:.0f} % over all that their spread may be)"
    ) in finding.words
    assert "It is not evidence that nothing changed." in finding.words
    assert 0.6 < finding.assurance < 0.85
    wild = finding_of(5, n=(3, 3), pass_spread=0.5)
    assert wild.passes_needed is None
    assert "As passes vary, even 48 passes per side would not settle it" in wild.words


@pytest.mark.parametrize("n", [(1, 1), (1, 5), (5, 1)])
def test_one_pass_a_side_is_undecided_whatever_the_change_and_says_why(finding_of, n):
    finding = finding_of(1, ratio=3.0, n=n)
    assert (finding.verdict, finding.on_these_drives) == ("undecided", "undecided")
    assert (finding.interval, finding.part.interval, finding.p_difference_holm) == (None, None, None)
    assert finding.ratio == pytest.approx(3.0, rel=0.4)
    driven = f"{n[0]} pass{'es' if n[0] > 1 else ''} before, {n[1]} after"
    assert f"One pass on a side does not tell a change from chance ({driven})" in finding.words
    assert not finding.cautions


def test_copies_of_one_pass_are_undecided_and_say_why(make):
    table = {"jerk_z": [40.0, 50.0, 60.0]}
    passes = [make.one_pass(table, side, "quarry-lane", n) for side in ("before", "after") for n in (1, 2, 3)]
    _, (finding,) = find(make.on_whole_passes(make.drives_of(passes)), None)
    assert (finding.verdict, finding.interval) == ("undecided", None)
    assert finding.ratio == pytest.approx(1.0)
    assert "copies of one recording" in finding.words


@pytest.fixture
def two_metrics(make):
    """Findings over all roads and on each of two, in two metrics, half as rough again after."""
    metrics = ("jerk_z", "weighted_z")
    drives = make.invented(1, ratio=1.5, metrics=metrics, **LARGE | {"roads": {"a": 50.0, "b": 60.0}})
    return find(make.on_whole_passes(drives, metrics), None)


def test_the_table_has_every_finding_by_metric_those_over_all_roads_first(two_metrics):
    table = findings_table(*two_metrics)
    assert [(row[0], row[1]) for row in table.rows] == [
        (label, road) for label in ("Jerk z", "Weighted z") for road in ("all rough roads", "a", "b")
    ]
    changes = [
        change_percent(finding.ratio, finding.interval)
        for metric in ("jerk_z", "weighted_z")
        for finding in (*two_metrics[0], *two_metrics[1])
        if finding.metric == metric
    ]
    assert [row[table.columns.index("change")] for row in table.rows] == changes


def test_words_that_are_no_verdicts_are_undecided():
    verdicts = [verdict_of(words) for words in ("gentler", "no change that counts", "mixed", "refit control held")]
    assert verdicts == ["gentler", "equivalent", "undecided", "undecided"]


def test_a_note_on_several_findings_appears_once(two_metrics):
    (note,) = notes_together([replace(finding, **STRONG) for finding in two_metrics[1]])
    assert note == "On a and b: Nothing in the design can overturn it."
