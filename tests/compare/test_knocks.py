"""Rates of knocks and their ratio, against statsmodels and scipy; and what is told of them."""

from __future__ import annotations

import json
import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.rates import confint_poisson, test_poisson_2indep
from towertap.capture.speed_log import SpeedLog
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.knocks import come_again, count_knocks, exact_ratio, not_heard, poisson_interval, rate_ratio
from towertap.signals.knocks import Knock

test_poisson_2indep.__test__ = False  # it is no test of ours
rates = runpy.run_path(str(Path(__file__).with_name("knocks_error_rates.py")))


def with_knocks(drives, before, after):
    """The same drives with so many knocks a pass, by side, spread evenly over a pass."""

    def knocks(count, seconds):
        return tuple(Knock(t, 2.0, 0.1, 0.01, 150.0, 1.0, 0.02) for t in (np.arange(count) + 0.5) * seconds / count)

    return replace(
        drives,
        passes=tuple(
            replace(one, knocks=knocks(before if one.side == "before" else after, len(one.cells) * 0.1))
            for one in drives.passes
        ),
    )


@pytest.mark.parametrize(("count", "exposure"), [(1, 2.0), (7, 0.5), (40, 3.0)])
def test_interval_of_a_rate_is_that_of_statsmodels(count, exposure):
    assert poisson_interval(count, exposure) == pytest.approx(confint_poisson(count, exposure, "exact-c"))


def test_none_is_bounded_by_the_exact_rule_of_three():
    """With none seen, a rate of −ln 0.05 / t would show something 95 times in 100 (Hanley and Lippman-Hand 1983)."""
    assert poisson_interval(0, 2.0) == pytest.approx((0.0, 2.995732 / 2))


@pytest.mark.parametrize(("counts", "exposures"), [((5, 15), (2.0, 2.5)), ((1, 0), (1.0, 1.0)), ((30, 22), (4.0, 3.0))])
def test_exact_ratio_agrees_with_statsmodels(counts, exposures):
    (low, high), p = exact_ratio(counts, exposures)
    theirs = test_poisson_2indep(counts[1], exposures[1], counts[0], exposures[0], method="exact-cond")
    assert p == pytest.approx(theirs.pvalue)
    for limit in (low, high):  # each limit is the ratio that a one-sided test at 2.5 % just bears
        if 0 < limit < np.inf:
            side = "larger" if limit == low else "smaller"
            borne = test_poisson_2indep(
                counts[1], exposures[1], counts[0], exposures[0], value=limit, method="exact-cond", alternative=side
            )
            assert borne.pvalue == pytest.approx(0.025, rel=1e-4)


def test_passes_that_scatter_widen_the_interval():
    even = rate_ratio([5, 5, 5, 5], [10, 10, 10, 10], np.ones(4), np.ones(4))
    uneven = rate_ratio([0, 10, 1, 9], [20, 1, 18, 1], np.ones(4), np.ones(4))
    assert even.ratio == uneven.ratio == 2.0
    assert even.p < 0.05 < uneven.p
    assert uneven.interval[0] < even.interval[0] < even.interval[1] < uneven.interval[1]
    # Pearson's chi-square by hand: squared distances from the means 5 and 10, over them, with 6 degrees of freedom.
    by_hand = ((25 + 25 + 16 + 16) / 5 + (100 + 81 + 64 + 81) / 10) / 6
    assert uneven.dispersion == pytest.approx(by_hand)


def test_one_pass_a_side_decides_nothing():
    assert rate_ratio([3], [30], [1.0], [1.0]).p is None


@pytest.mark.parametrize("mean", [1.0, 20.0])
@pytest.mark.parametrize("dispersion", [1.0, 2.0])
def test_no_change_is_told_different_in_at_most_5_percent(mean, dispersion):
    """The short run of knocks_error_rates.py; three standard errors of 400 sets are allowed for."""
    assert rates["told_different"](400, mean, dispersion) <= 0.05 + 3 * (0.05 * 0.95 / 400) ** 0.5


def test_what_comes_back_in_most_passes_is_told_from_what_does_not():
    assert come_again([np.array([1.0, 5.0]), np.array([1.1]), np.array([1.05])]) == pytest.approx(3 / 4)
    assert come_again([np.array([]), np.array([])]) is None


def test_more_knocks_after_are_told_and_survive_json(make):
    compared = compare(with_knocks(make.driven(3), 3, 20), metrics=["jerk_z"])
    assert {one.verdict for one in compared.knocks} == {"more knocks"}
    lane = compared.knocks[0]
    assert lane.again is not None
    json.dumps(plain(compared.data()), allow_nan=False)


def test_no_knock_is_never_told_as_none_there(make):
    one, _ = count_knocks(with_knocks(make.invented(1), 0, 0), {})
    assert one.verdict == "undecided"
    assert "fewer than" in one.words
    assert "not evidence that nothing changed" in one.words


def test_passes_that_could_not_be_listened_to_are_left_out_and_told(make):
    drives = make.invented(1)
    assert count_knocks(drives, {}) == ()
    assert any(line.startswith("knocks were not counted on ") for line in not_heard(drives))


def test_kilometres_are_the_logs_where_every_pass_has_one(make):
    """At 54 km/h by the logs a second is 15 m; by the speed aimed at it is another number, and only one log is none."""
    drives = with_knocks(make.invented(1), 5, 5)
    log = SpeedLog("log", np.arange(0.0, 600.0), np.full(600, 15.0))
    logged = replace(drives, passes=tuple(replace(one, speed=log) for one in drives.passes))
    one = count_knocks(logged, {})[0]
    assert one.before.kilometres == pytest.approx(one.before.minutes * 60 * 0.015)
    assert "a km by the speed logs" in one.words
    partly = replace(drives, passes=(replace(drives.passes[0], speed=log), *drives.passes[1:]))
    assert not any(one.before.logged for one in count_knocks(partly, {}) if drives.passes[0].road == one.road)
