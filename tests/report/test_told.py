"""Sentences that the page and the terminal share."""

from types import SimpleNamespace

from towertap.capture.speed_log import LogOffset
from towertap.compare.model import Excluded
from towertap.report import told


def test_passes_left_out_for_the_same_reason_are_one_line():
    reason = "with its input moor_pass{0}_arm: no shared motion ({0} of 10 windows agree): pair recordings of one drive"
    excluded = [Excluded(f"moor_pass{i}_sill", reason.format(i)) for i in (3, 1)] + [Excluded("moor", "not sound")]
    assert told.left_out(SimpleNamespace(excluded=excluded)) == [
        "moor_pass3_sill, moor_pass1_sill are not in the transfer: with its input …: no shared motion (1 to 3 of 10 "
        "windows agree): pair recordings of one drive",
        "moor is not in the transfer: not sound",
    ]


def test_each_log_s_clock_is_told_once_with_how_it_is_known():
    found, given = LogOffset(2.394, 0.118, "found"), LogOffset(-3600.0, None, "given")
    passes = [SimpleNamespace(log=log, offset=offset) for log, offset in [("a.csv", found), ("b.gpx", given)] * 2]
    passes.append(SimpleNamespace(log=None, offset=None))
    assert told.clocks([SimpleNamespace(passes=passes)] * 2) == [
        "The clock of a.csv is 2.39 ± 0.12 s ahead of the captures' (found by the forward acceleration).",
        "The clock of b.gpx is 3600.00 s behind the captures' (as given).",
    ]
