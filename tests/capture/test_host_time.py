"""Absolute time: the truth is within the stated uncertainty, which is as small as the readings allow."""

import copy
import datetime
import json
import time
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from towertap.box.port import open_box
from towertap.box.recorder import record
from towertap.box.simulated import SimulatedBox
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.host_time import Moment, clock_readings_of, host_time, started, utc
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture

BOOT = "1f2e3d4c"
STARTED_S = 1_790_000_000.25
"""Unix time when the box's clock showed zero."""


def clock_log(rng, seconds, *, boot=BOOT, zero_s=STARTED_S, ppm=0.0, greeted=(True, True)):
    """Readings like a recorder's: a greeting (two-sided bounds) first and last, arrivals every second."""
    clocks_s = np.concatenate(([0.0005], np.arange(1.0, seconds), [seconds + 0.1]))
    log = []
    for k, clock_s in enumerate(clocks_s):
        host_s = zero_s + clock_s / (1 + ppm * 1e-6)
        both = greeted[0] if k == 0 else greeted[1] and k == len(clocks_s) - 1
        log.append(
            {
                "boot_id": boot,
                "clock_us": int(clock_s * 1e6),
                "sent_unix_s": host_s - rng.uniform(1e-4, 5e-4) if both else None,
                "received_unix_s": host_s + rng.uniform(2e-4, 3e-3),
                "received_monotonic_s": host_s - STARTED_S + 50,
            }
        )
    return log


def holding(log):
    """The part of a capture that has the readings."""
    return SimpleNamespace(host=json.loads(json.dumps({"clock": log})))


@pytest.fixture
def judged(make_capture, tmp_path):
    """A function from frames and clock log to the Integrity of their capture."""

    def judge(frames, log):
        write_sidecar(tmp_path / "drive.ttraw", Conditions(), started_utc="2026-09-21T14:13:20+00:00", clock=log)
        with open_capture(make_capture(frames)) as capture:
            return check(capture)

    return judge


@pytest.mark.parametrize(("ppm", "greeted", "within_s"), [(0, (True, True), 4e-3), (60, (True, False), 4e-3)])
def test_the_start_is_known_as_well_as_the_greeting(ppm, greeted, within_s, by_hand, judged):
    log = clock_log(np.random.default_rng(1), 4, ppm=ppm, greeted=greeted)
    integrity = judged(by_hand.recording(4), log)
    told_s = datetime.datetime.fromisoformat(integrity.started_utc).timestamp()
    # by hand: the first sample is made when the box's clock shows 1 ms
    assert abs(told_s - (STARTED_S + 1e-3)) <= integrity.started_uncertainty_s < within_s


def test_the_start_is_known_no_better_than_to_half_a_sample(by_hand, make_capture, tmp_path):
    """A frame's clock is read when its newest sample is between zero and one period old."""
    log = clock_log(np.random.default_rng(1), 4)
    write_sidecar(tmp_path / "drive.ttraw", Conditions(), clock=log)
    with open_capture(make_capture(by_hand.recording(4))) as capture:
        frame = capture.frames[0]
        first_s = frame["clock_us"] * 1e-6 - (frame["fifo_level"] - 0.5) / 4000
        bounds, start = host_time(clock_readings_of(capture), BOOT, first_s), started(capture, 4000.0)
    assert start.at_s == pytest.approx(bounds.at_s, abs=1e-6)
    assert start.uncertainty_s - bounds.uncertainty_s == pytest.approx(0.5 / 4000, rel=0.01)


@pytest.mark.parametrize("seed", range(20))
def test_any_moment_lies_within_its_bounds_and_two_greetings_take_the_drift_out(seed):
    rng = np.random.default_rng(seed)
    ppm = rng.uniform(-90, 90)
    readings = clock_readings_of(holding(clock_log(rng, 600, ppm=ppm)))
    for clock_s in rng.uniform(0, 600, 3):
        moment = host_time(readings, BOOT, clock_s)
        assert abs(moment.at_s - STARTED_S - clock_s / (1 + ppm * 1e-6)) <= moment.uncertainty_s + 1e-6
        assert moment.uncertainty_s < 5e-3  # where 100 ppm over 300 s would be 30 ms


def test_contradictory_readings_mean_not_known(by_hand, judged):
    log = clock_log(np.random.default_rng(2), 4)
    in_virtual_time = copy.deepcopy(log)
    for reading in in_virtual_time[1:]:
        reading["received_unix_s"] -= 0.9 * reading["clock_us"] * 1e-6
    without_a_greeting = [{**reading, "sent_unix_s": None} for reading in log]
    nonsense = [{}, 7, {**log[0], "clock_us": "soon"}, {**log[0], "received_unix_s": None}]
    for readings in ([], in_virtual_time, without_a_greeting, nonsense, {"clock": 1}, [{**log[0], "boot_id": "other"}]):
        integrity = judged(by_hand.recording(1), readings)
        assert (integrity.started_utc, integrity.started_uncertainty_s) == ("2026-09-21T14:13:20+00:00", None)


@given(
    readings=st.lists(
        st.fixed_dictionaries(
            {
                "boot_id": st.just(BOOT),
                "clock_us": st.integers() | st.floats(),
                "sent_unix_s": st.none() | st.floats(),
                "received_unix_s": st.floats() | st.sampled_from([STARTED_S, 1e-300, 9e10]),
            }
        ),
        max_size=4,
    ),
    clock_s=st.floats(-9e12, 9e12),
)
@settings(max_examples=150, deadline=None)
def test_any_readings_are_handled(readings, clock_s):
    moment = host_time(clock_readings_of(holding(readings)), BOOT, clock_s)
    assert moment is None or utc(moment).startswith(("1", "2", "3", "4", "5"))


def test_a_gap_by_a_restart_of_the_box_is_timed_by_the_host(by_hand, judged):
    rng = np.random.default_rng(3)
    away_s = 12.3
    frames = [*by_hand.recording(4)[:-1], by_hand.hello(boot_id="beef"), *by_hand.recording(2, seed=2)[1:]]
    # the first boot's last sample is due at 1 ms + 4 s, the second's first at 1 ms by its own clock
    second = clock_log(rng, 2, boot="beef", zero_s=STARTED_S + 4 + away_s, greeted=(False, True))
    integrity = judged(frames, clock_log(rng, 4, greeted=(True, False)) + second)
    (gap,) = integrity.gaps
    assert (gap["missing"], gap["reason"], gap["exact"]) == (None, "box_restart", False)
    assert abs(gap["seconds"] - away_s) <= gap["seconds_uncertainty"] < 0.01
    assert "(box restart, 12.3" in integrity.reasons[0]
    assert not integrity.sound


def test_the_gap_of_a_box_that_restarts_during_a_recording_is_timed(tmp_path):
    raw, started_s = tmp_path / "drive.ttraw", time.time()
    reset = {"fault": "reset", "at_s": 1}
    with SimulatedBox(None, realtime=True, faults=[reset]) as simulated, open_box(simulated.port) as box:
        record(box, raw, Conditions(), seconds=2)
    lasted_s = time.time() - started_s
    with open_capture(decode_raw(raw, tmp_path / "drive.h5")) as capture:
        integrity = check(capture)
    (gap,) = integrity.gaps
    assert gap["seconds_uncertainty"] < 1
    assert 0 < gap["seconds"] < lasted_s
    first_s = datetime.datetime.fromisoformat(integrity.started_utc).timestamp()
    assert started_s < first_s < started_s + lasted_s - 2


def test_a_gap_by_a_restart_of_the_chip_is_timed_by_the_box(by_hand, judged):
    frames = by_hand.recording(4)
    rows = np.zeros((32, 3), int)
    for k in range(250, 499):  # from here, 500 samples are lost that the box did not count
        clock_us = 1000 + int((32 * (k - 1) + 500 + 31) / 4000 * 1e6)
        frames[k] = by_hand.samples(rows, first=32 * (k - 1), clock=clock_us, fifo=32, flags=6 if k == 250 else 0)
    (gap,) = judged(by_hand.numbered(frames[:499]), []).gaps
    assert (gap["missing"], gap["reason"]) == (None, "chip_restart")
    assert abs(gap["seconds"] - 500 / 4000) <= gap["seconds_uncertainty"] == pytest.approx(1 / 4000, rel=0.01)


def test_a_counted_gap_is_known_to_the_sample(by_hand, judged):
    frames = by_hand.recording(2)
    del frames[51:53]
    (gap,) = judged(frames, []).gaps
    assert (gap["missing"], gap["seconds"], gap["seconds_uncertainty"]) == (64, pytest.approx(0.016, rel=1e-5), 0.0)


def test_bounds_without_drift_are_those_of_cristian():
    # Cristian 1989, Probabilistic clock synchronization: the middle of the round trip, plus or minus half of it
    one = {"boot_id": BOOT, "clock_us": 5_000_000, "sent_unix_s": 100.0, "received_unix_s": 100.5}
    readings = clock_readings_of(holding([one]))
    assert host_time(readings, BOOT, 5.0) == Moment(pytest.approx(100.25), pytest.approx(0.25, rel=1e-5))
    # ten seconds later, two crystals up to 100 ppm apart add a millisecond on either side
    assert host_time(readings, BOOT, 15.0) == Moment(pytest.approx(110.25), pytest.approx(0.251, rel=1e-5))
