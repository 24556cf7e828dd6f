"""Speed: the clock's offset, what speed does to a figure, places driven alike, and when a difference is warned of."""

from __future__ import annotations

import json
import runpy
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from towertap.capture.speed_log import SpeedLog
from towertap.cli._outcome import plain
from towertap.compare.comparison import compare
from towertap.compare.drives.speed_join import STEP_S, Push, driven_m, find_offset, lasted_s, with_speed
from towertap.compare.stats.exponent import exponent

COVERAGE = runpy.run_path(str(Path(__file__).with_name("exponent_coverage.py")))
BEGAN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def drive(seed, passes=6, seconds=30, offset_s=0.0, noise_ms=0.1):
    """Pushes of passes, and a log of 1 Hz over them all; the speed is two sines, so its slope is known exactly."""
    rng = np.random.default_rng(seed)
    period_s, phase = rng.uniform(5, 20, (2, passes)), rng.uniform(0, 2 * np.pi, (2, passes))
    pushes, times, speeds = [], [], []
    for i in range(passes):
        start_s = BEGAN.timestamp() + 300 * i + rng.uniform()
        turn = 2 * np.pi / period_s[:, i]
        at_s = np.arange(round(seconds / STEP_S)) * STEP_S

        def speed(t, turn=turn, phase=phase[:, i]):
            return 11 + 0.3 * np.sin(turn * np.asarray(t)[:, None] + phase).sum(axis=1)

        slope = (speed(at_s + STEP_S) - speed(at_s)) / STEP_S  # the mean acceleration of each cell
        pushes.append(Push(start_s, slope + 0.2 + 0.1 * rng.standard_normal(at_s.size)))
        log_s = np.arange(-70, seconds + 70)
        times.append(start_s + log_s + offset_s)
        speeds.append(speed(log_s) + noise_ms * rng.standard_normal(log_s.size))
    return pushes, SpeedLog("log.csv", np.concatenate(times), np.concatenate(speeds))


def test_the_offset_of_a_clock_is_found_within_its_uncertainty():
    """Known offsets on drives whose acceleration is known by calculus; noise of a receiver of 0.1 m/s at 1 Hz."""
    errors, within = [], []
    for seed in range(40):
        truth = float(np.random.default_rng([seed, 9]).uniform(-20, 20))
        found = find_offset(drive(seed, offset_s=truth)[1], drive(seed)[0])
        assert found is not None
        errors.append(found.seconds - truth)
        within.append(abs(errors[-1]) <= found.uncertainty_s)
    assert np.sqrt(np.mean(np.square(errors))) < 0.15
    assert np.mean(within) >= 0.9


def test_no_offset_is_believed_of_another_drive():
    assert [find_offset(drive(1000 + seed)[1], drive(seed)[0]) for seed in range(40)].count(None) >= 39


def test_the_exponent_against_statsmodels():
    """Ordinary least squares with an effect of each place with each part; the error, with many passes, by clusters."""
    rng = np.random.default_rng(3)
    passes, places = 60, 6
    after = np.arange(passes) % 2 == 1
    x = 0.03 * rng.standard_normal((passes, places))
    y = (
        1.4 * x
        + rng.standard_normal((passes, 1)) * 0.03
        + 0.05 * rng.standard_normal((passes, places))
        + after[:, None]
    )
    cell = (after[:, None] * places + np.arange(places)).ravel()
    design = np.column_stack([x.ravel(), cell[:, None] == np.arange(2 * places)])
    fitted = sm.OLS(y.ravel(), design).fit(
        cov_type="cluster", cov_kwds={"groups": np.repeat(np.arange(passes), places)}
    )
    found = exponent(x, y, after)
    assert found.value == pytest.approx(fitted.params[0], rel=1e-9)
    half = (found.interval[1] - found.interval[0]) / 2
    assert half / 2.0025 == pytest.approx(fitted.bse[0], rel=0.1)  # t of 57 degrees of freedom, by scipy


def test_the_interval_of_the_exponent_holds_the_truth():
    """A shorter run of `exponent_coverage.py`."""
    exact = COVERAGE["found"](range(1000), 0.0)
    assert exact[:, 0].mean() == pytest.approx(COVERAGE["TRUE"], abs=0.05)
    assert 0.93 <= exact[:, 1].mean() <= 0.985


def test_speeds_that_hardly_differ_and_few_passes_tell_nothing():
    x, y, after = COVERAGE["one_set"](1)
    assert exponent(0.001 * x, y, after) is None
    assert exponent(x[2:6], y[2:6], after[2:6]) is None


def logged(drives, offset_s=0.0, faster=1.0):
    """The drives dated, and a log of 36 km/h before and `faster` times as much after."""
    passes, times, speeds = [], [], []
    for number, one in enumerate(drives.passes):
        began = BEGAN.timestamp() + 600 * number
        passes.append(replace(one, started=datetime.fromtimestamp(began, UTC)))
        at_s = np.arange(-5.0, lasted_s(one) + 6)
        times.append(began + at_s + offset_s)
        speeds.append(np.full(at_s.size, 10.0 * (faster if one.side == "after" else 1.0)))
    return replace(drives, passes=tuple(passes)), SpeedLog("log.csv", np.concatenate(times), np.concatenate(speeds))


def test_a_log_gives_metres_and_a_warning_where_one_side_was_faster(make):
    """10 m/s against 10.5 m/s: ratio 1.05 by hand; with an exponent of 2 that is 1.1025."""
    drives, log = logged(make.driven(1), offset_s=3.0, faster=1.05)
    joined = with_speed(drives, [log], 3.0)
    assert [driven_m(one) for one in joined.passes if one.side == "before"] == pytest.approx(
        [10 * STEP_S * len(one.cells) for one in joined.passes if one.side == "before"]
    )
    comparison = compare(joined, metrics=["jerk_z"])
    (road,) = comparison.speed
    (effect,) = road.effects
    assert (road.source, road.unit) == ("log", "km/h")
    assert (road.contrast.before, road.contrast.after) == pytest.approx((36.0, 37.8))
    assert (effect.seen, effect.matters, effect.explains) == (False, True, pytest.approx(1.05**2))
    assert (effect.alike, effect.matched) == (0, None)
    assert road.warning in comparison.warnings
    assert "5.0 % faster after the change" in road.warning
    assert road.shared_m == pytest.approx(10.25 * comparison.alignment[0].places, rel=0.1)
    json.dumps(plain(comparison.data()), allow_nan=False)


def test_the_same_speed_is_not_warned_of_and_every_place_counts_as_alike(make):
    drives, log = logged(make.driven(1))
    comparison = compare(with_speed(drives, [log], 0.0), metrics=["jerk_z"])
    (road,), (finding,) = comparison.speed, comparison.findings
    (effect,) = road.effects
    assert road.warning is None
    assert effect.alike == effect.places == finding.before_values[0].kept
    assert effect.matched.ratio == pytest.approx(finding.ratio)


def test_without_a_log_speed_is_told_by_alignment(make):
    """Passes driven at speeds of their own, with 6 % between the sides, which only the alignment can know."""
    slow, fast = make.driven(1, wander=0.0, speeds=0.0), make.driven(1, wander=0.0, speeds=0.06)
    steady = compare(slow, metrics=["jerk_z"]).speed[0]
    spread = compare(fast, metrics=["jerk_z"]).speed[0]
    assert steady.source == "alignment"
    assert np.std([one.speed for one in steady.passes]) < 0.01
    rng_speeds = np.std(np.log([one.speed for one in spread.passes]))
    assert 0.02 < rng_speeds < 0.12
    assert all(one.driven_m is None for one in spread.passes)


@pytest.mark.parametrize("offset_s", [3600.0, -3600.0])
def test_a_clock_that_is_an_hour_off_is_joined_by_the_offset_given(make, offset_s):
    """A log of one drive, and one of the whole day of 16; 10 m/s by hand, in every pass."""
    drives, day = logged(make.driven(1), offset_s=offset_s)
    assert len(drives.passes) >= 10
    joined = with_speed(drives, [day], offset_s)
    assert [driven_m(one) for one in joined.passes] == pytest.approx([lasted_s(one) * 10 for one in joined.passes])
    assert not any("speed log" in words for words in joined.warnings)
    one = drives.passes[0]
    log = day.between(day.time_s[0], day.time_s[0] + lasted_s(one) + 10)
    joined = with_speed(replace(drives, passes=(one,)), [log], offset_s)
    assert driven_m(joined.passes[0]) == pytest.approx(10 * lasted_s(one))


def test_a_log_of_another_hour_says_what_to_do(make):
    drives, log = logged(make.driven(1), offset_s=10 * 3600)
    for offset_s in (None, 60.0):
        (words,) = (one for one in with_speed(drives, [log], offset_s).warnings if "covers no pass" in one)
        assert f"it goes from {BEGAN.replace(hour=19, minute=29, second=55):%Y-%m-%d %H:%M:%S} to 2026-" in words
        assert f"the passes begin from {BEGAN:%Y-%m-%d %H:%M:%S} to 2026-" in words
        assert "write its times in UTC, or name by --speed-offset how many seconds its clock is ahead" in words
    undated = replace(drives, passes=tuple(replace(one, started=None) for one in drives.passes))
    assert any("no capture says when it began" in one for one in with_speed(undated, [log], 0.0).warnings)


def test_a_log_that_begins_too_late_for_its_only_pass_is_warned_of(make):
    drives, log = logged(make.driven(1))
    one = drives.passes[0]
    late = log.between(BEGAN.timestamp() + 3, BEGAN.timestamp() + lasted_s(one) + 4)
    joined = with_speed(replace(drives, passes=(one,)), [late], 0.0)
    assert joined.passes[0].speed is None
    assert any(f"no speed log spans {one.name} without a gap" in words for words in joined.warnings)


def test_logs_that_cannot_be_joined_are_warned_of(make):
    drives, log = logged(make.driven(1))
    assert any("covers no pass" in words for words in with_speed(drives, [log.shifted(1e6)]).warnings)
    assert any(
        "is the log's unit right" in words
        for words in with_speed(drives, [replace(log, speed_ms=3.6 * log.speed_ms)], 0.0).warnings
    )
    part = log.between(log.time_s[0], log.time_s[len(log.time_s) // 2])
    assert any("no speed log spans" in words for words in with_speed(drives, [part], 0.0).warnings)
