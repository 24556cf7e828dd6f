"""Speed logs joined to passes: the clock's offset, the metres driven, and what cannot be joined."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from towertap.capture.speed_log import SpeedLog, read_speed_log
from towertap.compare.drives.speed_join import STEP_S, driven_m, find_offset, lasted_s, with_speed
from towertap.errors import CallError

BEGAN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def drive_and_log(seed, passes=6, seconds=30, offset_s=0.0, noise_ms=0.1):
    """Pushes of passes, and a 1 Hz log over all of them; the speed is two sines, so its slope is known exactly."""
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
        pushes.append((start_s, slope + 0.2 + 0.1 * rng.standard_normal(at_s.size)))
        log_s = np.arange(-70, seconds + 70)
        times.append(start_s + log_s + offset_s)
        speeds.append(speed(log_s) + noise_ms * rng.standard_normal(log_s.size))
    return pushes, SpeedLog("log.csv", np.concatenate(times), np.concatenate(speeds))


def test_the_offset_of_a_clock_is_found_within_its_uncertainty():
    """Known offsets on drives whose acceleration is known by calculus; receiver noise of 0.1 m/s at 1 Hz."""
    errors, within = [], []
    for seed in range(12):
        truth = float(np.random.default_rng([seed, 9]).uniform(-20, 20))
        offset = find_offset(drive_and_log(seed, offset_s=truth)[1], drive_and_log(seed)[0])
        assert offset is not None
        errors.append(offset.seconds - truth)
        within.append(abs(errors[-1]) <= offset.uncertainty_s)
    assert np.sqrt(np.mean(np.square(errors))) < 0.15
    assert np.mean(within) > 0.9


def test_a_receiver_that_froze_in_some_passes_leaves_a_gap_and_the_offset_right(tmp_path):
    """In 2 of 16 passes the position froze for 6 s and then jumped; the clock is 5.0 s ahead."""
    pushes, log = drive_and_log(3, passes=16, offset_s=5.0)
    speed_ms = log.speed_ms.copy()
    starts = [int(np.searchsorted(log.time_s, pushes[number][0] + 5.0)) + 8 for number in (4, 11)]
    for start in starts:
        speed_ms[start + 6] = speed_ms[start : start + 7].sum()
        speed_ms[start : start + 6] = 0.0
    path = tmp_path / "log.csv"
    rows = zip(log.time_s.tolist(), speed_ms.tolist(), strict=True)
    path.write_text("unix_s,speed_ms\n" + "".join(f"{time_s!r},{speed!r}\n" for time_s, speed in rows))
    read = read_speed_log(path)
    assert read.time_s.size == log.time_s.size - 14
    assert not any(read.covers(log.time_s[start - 3], log.time_s[start + 9]) for start in starts)
    offset = find_offset(read, pushes)
    assert offset.seconds == pytest.approx(5.0, abs=offset.uncertainty_s + 0.1)
    assert offset.uncertainty_s < 0.5


def test_no_offset_is_accepted_for_another_drive():
    """By chance less than once in a thousand, as `CHANCE` says."""
    offsets = [find_offset(drive_and_log(1000 + seed)[1], drive_and_log(seed)[0]) for seed in range(12)]
    assert offsets == [None] * 12


@pytest.mark.parametrize("offset_s", [3600.0, -3600.0])
def test_a_clock_an_hour_off_is_joined_by_the_given_offset(make, offset_s):
    """A log of one drive, and one of the whole day of 16; 10 m/s by hand, in every pass."""
    drives, day = make.logged(make.driven(1), offset_s=offset_s)
    assert len(drives.passes) >= 10
    joined = with_speed(drives, [day], offset_s)
    assert [driven_m(drive) for drive in joined.passes] == pytest.approx(
        [lasted_s(drive) * 10 for drive in joined.passes]
    )
    assert not any("speed log" in words for words in joined.remarks)
    drive = drives.passes[0]
    log = day.between(day.time_s[0], day.time_s[0] + lasted_s(drive) + 10)
    joined = with_speed(replace(drives, passes=(drive,)), [log], offset_s)
    assert driven_m(joined.passes[0]) == pytest.approx(10 * lasted_s(drive))


def test_an_offset_without_a_log_is_refused(make):
    with pytest.raises(CallError, match="name one with --speed"):
        with_speed(make.driven(1), [], 5.0)


def test_a_log_of_another_hour_says_what_to_do(make):
    drives, log = make.logged(make.driven(1), offset_s=10 * 3600)
    for offset_s in (None, 60.0):
        (words,) = (line for line in with_speed(drives, [log], offset_s).remarks if "covers no pass" in line)
        assert f"it goes from {BEGAN.replace(hour=19, minute=29, second=55):%Y-%m-%d %H:%M:%S} to 2026-" in words
        assert f"the passes begin from {BEGAN:%Y-%m-%d %H:%M:%S} to 2026-" in words
        assert "write its times in UTC, or give with --speed-offset how many seconds its clock is ahead" in words
    undated = replace(drives, passes=tuple(replace(drive, started=None) for drive in drives.passes))
    assert any("no capture says when it began" in words for words in with_speed(undated, [log], 0.0).remarks)


def test_a_log_with_a_gap_at_every_pass_covers_none(make):
    """Its points lie 100 s before the first pass and after the last; at 59.9 s no whole second of a pass is within."""
    drives, log = make.logged(make.driven(1))
    drive = drives.passes[0]
    around = replace(log, time_s=BEGAN.timestamp() + np.array([-100.0, -99, 9000, 9001]), speed_ms=np.full(4, 10.0))
    (words, _) = with_speed(replace(drives, passes=(drive,)), [around]).remarks
    assert "covers no pass" in words
    assert "--speed-offset" in words
    until = BEGAN.timestamp() - 59.9
    assert find_offset(around.shifted(until - around.time_s[1]), [(BEGAN.timestamp(), np.ones(100))]) is None


def test_a_log_that_begins_too_late_for_its_only_pass_gives_a_warning(make):
    drives, log = make.logged(make.driven(1))
    drive = drives.passes[0]
    late = log.between(BEGAN.timestamp() + 3, BEGAN.timestamp() + lasted_s(drive) + 4)
    joined = with_speed(replace(drives, passes=(drive,)), [late], 0.0)
    assert joined.passes[0].speed is None
    assert any(f"no speed log spans {drive.name} without a gap" in words for words in joined.remarks)


def test_logs_that_cannot_be_joined_give_a_warning(make):
    drives, log = make.logged(make.driven(1))
    assert any("covers no pass" in words for words in with_speed(drives, [log.shifted(1e6)]).remarks)
    remarks = with_speed(drives, [replace(log, speed_ms=3.6 * log.speed_ms)], 0.0).remarks
    (unit,) = (words for words in remarks if "is the log's unit right" in words)
    assert f"not 40 km/h as aimed, and so for {len(drives.passes) - 1} further passes" in unit
    part = log.between(log.time_s[0], log.time_s[len(log.time_s) // 2])
    assert any("no speed log spans" in words for words in with_speed(drives, [part], 0.0).remarks)
