"""Rates of knocks and their ratio, against statsmodels and scipy; and what is told of them."""

from __future__ import annotations

import json
import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.api import GLM
from statsmodels.genmod.families import Poisson
from statsmodels.stats.rates import confint_poisson, test_poisson_2indep
from towertap.capture.speed_log import SpeedLog
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.road.places import find_places
from towertap.compare.sections.knocks.compare import (
    by_chance,
    come_again,
    count_knocks,
    deviance_ratio,
    exact_ratio,
    not_heard,
    poisson_interval,
    rate_ratio,
)
from towertap.signals.knocks import Knock

test_poisson_2indep.__test__ = False  # it is no test of ours
rates = runpy.run_path(str(Path(__file__).with_name("knocks_error_rates.py")))


def with_knocks(drives, before, after):
    """The same drives with so many knocks a pass, by side, spread evenly over a pass."""

    def knocks(count, seconds):
        return tuple(Knock(t, 2.0, 0.01, 150.0) for t in (np.arange(count) + 0.5) * seconds / count)

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


@pytest.mark.parametrize(("counts", "exposures"), [((5, 15), (2.0, 2.5)), ((1, 0), (1.0, 1.0)), ((9, 0), (4.0, 3.0))])
def test_exact_ratio_agrees_with_statsmodels(counts, exposures):
    """Twice the smaller of its one-sided p; each limit is the ratio that one of them at 2.5 % just bears."""

    def theirs(side, value=1.0):
        numbers = counts[1], exposures[1], counts[0], exposures[0]
        return test_poisson_2indep(*numbers, value=value, method="exact-cond", alternative=side).pvalue

    (low, high), p = exact_ratio(counts, exposures)
    assert p == pytest.approx(min(1.0, 2 * min(theirs("larger"), theirs("smaller"))))
    assert (low == 0) == (counts[1] == 0)
    for limit, side in ((low, "larger"), (high, "smaller")):
        assert limit == 0 or theirs(side, limit) == pytest.approx(0.025, rel=1e-4)
    (other_low, other_high), other_p = exact_ratio(counts[::-1], exposures[::-1])
    assert (other_p, other_low) == pytest.approx((p, 1 / high))
    assert other_high == pytest.approx(1 / low if low else np.inf)


def poisson_fit(counts, exposures, design, ratio=1.0):
    """statsmodels' Poisson regression of the counts of all passes; the second half's rate is `ratio` times as high."""
    offset = np.log(exposures) + np.repeat([0.0, np.log(ratio)], len(counts) // 2)
    return GLM(counts, design, family=Poisson(), offset=offset).fit(tol=1e-12)


@pytest.mark.parametrize("counts", [[8, 0, 4, 36, 12, 14, 9, 70], [3, 1, 2, 30, 0, 1, 0, 1], [0, 0, 0, 0, 3, 2, 1, 20]])
def test_deviance_is_that_of_statsmodels_and_the_limits_just_bear_it(counts):
    """F of the deviances of its Poisson regressions; a side without a knock is fitted by the limit of no rate."""
    minutes = np.tile([0.2, 0.2, 0.2, 1.8], 2)
    one, two = np.ones((8, 1)), np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
    sums = sum(counts[:4]), sum(counts[4:])
    free = poisson_fit(counts, minutes, two) if all(sums) else poisson_fit(counts[4:], minutes[4:], one[4:])
    (low, high), p = deviance_ratio(sums, (2.4, 2.4), 2.5, 6)

    def theirs(ratio):
        return stats.f.sf((poisson_fit(counts, minutes, one, ratio).deviance - free.deviance) / 2.5, 1, 6)

    assert p == pytest.approx(theirs(1.0))
    assert theirs(low) == pytest.approx(0.05, rel=1e-6)
    assert high == np.inf if not sums[0] else theirs(high) == pytest.approx(0.05, rel=1e-6)


def test_the_dispersion_of_unequal_passes_is_pearsons_by_statsmodels():
    minutes, counts = np.tile([0.2, 0.2, 0.2, 1.8], 2), [8, 0, 4, 36, 0, 4, 1, 19]
    fitted = poisson_fit(counts, minutes, np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)]))
    held = rate_ratio(counts[:4], counts[4:], minutes[:4], minutes[4:])
    assert held.dispersion == pytest.approx(fitted.pearson_chi2 / fitted.df_resid)
    # By hand: 48 knocks make 4, 4, 4 and 36 the expectation before, 24 make 2, 2, 2 and 18 after.
    assert held.dispersion == pytest.approx((16 / 4 + 16 / 4 + 4 / 2 + 4 / 2 + 1 / 2 + 1 / 18) / 6)


def test_a_long_pass_that_strays_is_held_against_the_others():
    """The jackknife variance of a ratio of sums (Cochran, Sampling Techniques, 6.17), by leaving passes out in turn."""
    minutes, counts = np.array([0.2, 0.2, 0.2, 1.8]), np.array([1, 2, 1, 80])
    rates = np.array([np.delete(counts, i).sum() / np.delete(minutes, i).sum() for i in range(4)])
    full = counts.sum() / minutes.sum()
    variance = 3 / 4 * np.square(rates - full).sum()
    held = rate_ratio(counts, [0, 0, 0, 0], minutes, minutes)
    assert held.dispersion == pytest.approx(variance / (full / minutes.sum()))


def test_passes_that_scatter_widen_the_interval():
    even = rate_ratio([5, 5, 5, 5], [10, 10, 10, 10], np.ones(4), np.ones(4))
    uneven = rate_ratio([0, 10, 1, 9], [20, 1, 18, 1], np.ones(4), np.ones(4))
    assert even.ratio == uneven.ratio == 2.0
    assert even.p < 0.05 < uneven.p
    assert uneven.interval[0] < even.interval[0] < even.interval[1] < uneven.interval[1]
    # Pearson's chi-square by hand: squared distances from the means 5 and 10, over them, with 6 degrees of freedom.
    by_hand = ((25 + 25 + 16 + 16) / 5 + (100 + 81 + 64 + 81) / 10) / 6
    assert uneven.dispersion == pytest.approx(by_hand)


def test_the_interval_leaves_out_1_where_p_is_below_5_percent():
    rng = np.random.default_rng(5)
    told = []
    for _ in range(400):
        before, after = rng.poisson(rng.gamma(4.0, rng.uniform(0.2, 4, (2, 1)), (2, 3)))
        held = rate_ratio(before, after, [1, 2, 1], [1, 1, 3])
        if held.p is not None:
            told.append((held.p < 0.05, not held.interval[0] <= 1 <= held.interval[1]))
    assert all(p == interval for p, interval in told)
    assert 10 < sum(p for p, _ in told) < len(told) - 10


def test_none_on_one_side_is_decided_by_the_other_sides_scatter():
    """F = 60 ln 2 with 1 and 2 degrees of freedom: the deviance of 0 and 30 as 15 and 15, the scatter below 1."""
    held = rate_ratio([0, 0, 0], [10, 10, 10], np.ones(3), np.ones(3))
    assert held.p == pytest.approx(stats.f.sf(60 * np.log(2), 1, 2))
    assert held.interval[0] > 1
    assert held.interval[1] == np.inf
    assert rate_ratio([0, 0, 0], [30, 0, 0], np.ones(3), np.ones(3)).p > 0.05


def test_one_pass_a_side_decides_nothing():
    assert rate_ratio([3], [30], [1.0], [1.0]).p is None


@pytest.mark.parametrize(
    ("mean", "dispersion", "more"),
    [
        (1.0, 1.0, {}),
        (4.0, 4.0, {}),
        (20.0, 2.0, {}),
        (20.0, 4.0, {"minutes": rates["UNEQUAL"]}),
        (20.0, 1.0, {"minutes": rates["UNEQUAL"], "shape": 4.0}),
    ],
)
def test_no_change_is_told_different_in_at_most_5_percent(mean, dispersion, more):
    """The short run of knocks_error_rates.py; three standard errors of 400 sets are allowed for."""
    share, covered = rates["told"](400, mean, dispersion, **more)
    assert share <= 0.05 + 3 * (0.05 * 0.95 / 400) ** 0.5
    assert covered >= 0.95 - 3 * (0.05 * 0.95 / 400) ** 0.5


def test_what_comes_back_in_most_passes_of_each_side_is_told_from_what_does_not():
    """At 1 s in all passes, at 5 s in all of one side and one of three of the other, at 9 s once."""
    where = [[1.0, 5.0], [1.1, 5.0], [1.05, 5.0], [1.0, 5.1], [0.95, 9.0], [1.0]]
    sides = ["before"] * 3 + ["after"] * 3
    assert come_again([np.array(one) for one in where], sides) == pytest.approx(6 / 11)
    assert come_again([np.array([])] * 4, ["before", "after"] * 2) is None
    assert come_again([np.array([1.0])] * 3, ["before", "after", "after"]) is None


@pytest.mark.parametrize("a_minute", [20, 60])
def test_knocks_anywhere_come_back_no_oftener_than_by_chance(a_minute):
    """Places drawn evenly over a minute, 3 and 3 passes: more than the limit 1 time in 20, by what a quantile is."""
    sides, edges_s = ["before"] * 3 + ["after"] * 3, np.array([[0.0, 1.0], [59.0, 60.0]])
    more = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        where = [np.sort(rng.uniform(0, 60, a_minute)) for _ in sides]
        more += come_again(where, sides) > by_chance(where, sides, edges_s)
    assert more <= 0.05 * 60 + 3 * (0.05 * 0.95 * 60) ** 0.5


def test_more_knocks_after_are_told_and_survive_json(make):
    compared = compare(with_knocks(make.driven(3), 3, 20), metrics=["jerk_z"])
    assert {one.verdict for one in compared.knocks} == {"more knocks"}
    lane = compared.knocks[0]
    assert lane.again is not None
    json.dumps(plain(compared.data()), allow_nan=False)


def test_no_knock_is_never_told_as_none_there(make):
    one, _ = count_knocks(with_knocks(make.invented(1), 0, 0), {})
    assert one.verdict == "undecided"
    assert one.held.p is one.held.interval is None
    assert "none heard on either side, so nothing was tested" in one.words
    assert "fewer than" in one.words
    assert "not evidence that nothing changed" in one.words


def test_a_silent_road_is_no_member_of_the_family(make):
    """With one road tested Holm's adjustment leaves its p as it is."""
    drives = with_knocks(make.invented(1), 3, 20)
    silent = replace(drives, passes=tuple(replace(p, knocks=()) if p.road == "bypass" else p for p in drives.passes))
    lane, bypass = count_knocks(silent, {})
    assert (bypass.road, bypass.p_holm) == ("bypass", None)
    assert lane.p_holm == lane.held.p
    assert lane.verdict == "more knocks"


def test_the_same_knocks_of_the_same_road_are_as_many_however_fast_it_is_driven(make):
    """A knock at each second of the reference's road; after is driven 1.25 times as fast, with 1.25 times a minute."""
    drives = make.driven(3, faster=1.25)
    places = find_places(drives.of("lane"))
    knocks = {}
    for number, one in enumerate(places.passes):
        time_s = np.arange(0.0, one.cells["start_s"].iloc[-1], 0.01)
        at_s = np.interp(places.edges_s.mean(axis=1), places.place_s(number, time_s), time_s)
        knocks[one.name] = tuple(Knock(t, 2.0, 0.01, 150.0) for t in at_s)
    drives = replace(drives, passes=tuple(replace(one, knocks=knocks.get(one.name, ())) for one in drives.passes))
    lane = count_knocks(drives, {"lane": places})[0]
    assert lane.after.rate / lane.before.rate == pytest.approx(1.25, abs=0.05)
    assert lane.held.ratio == pytest.approx(1.0, abs=0.01)
    assert lane.again == 1.0
    assert "Knocks for the same road, after over before: 1.00" in lane.words
    assert "100 % of them come back at one place in most passes with either part" in lane.words
    assert "does not tell a part's knock from the road's" in lane.words


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
    assert one.before.interval_km == pytest.approx(
        confint_poisson(sum(one.before.counts), one.before.kilometres, "exact-c")
    )
    twice = [replace(p, speed=replace(log, speed_ms=log.speed_ms * (1 + (p.side == "after")))) for p in logged.passes]
    faster = count_knocks(replace(logged, passes=tuple(twice)), {})[0]
    assert (faster.per, faster.held.ratio) == ("a km by the speed logs", pytest.approx(0.5))
    partly = replace(drives, passes=(replace(drives.passes[0], speed=log), *drives.passes[1:]))
    (other,) = [one for one in count_knocks(partly, {}) if drives.passes[0].road == one.road]
    assert not other.before.logged
    assert "Knocks a minute, after over before: 1.00" in other.words
