"""Live values agree with the frames, and the watchers of clocks and host report what happened."""

import shutil
import time
from collections import deque
from types import SimpleNamespace

import numpy as np
import pytest
from towertap.box.host_clock import MOST_READINGS, ClockLog
from towertap.box.host_watch import CAPTURE_BYTES, CAPTURE_SHARE, HostWatch
from towertap.box.live import Live
from towertap.box.port import HostTime
from towertap.capture import writing
from towertap.doors.whole_file import allocate
from towertap.wire.decoder import Decoder
from towertap.wire.messages import Hello


@pytest.fixture
def samples(by_hand):
    """A function that makes a frame of 32 samples, all zero except one."""

    def make(first, clock_us, peak=(0, 0, 0), fifo_level=32):
        acceleration = np.zeros((32, 3), int)
        acceleration[7] = peak
        return by_hand.samples(acceleration, first=first, clock=clock_us, fifo=fifo_level)

    return make


def _live(stream):
    live = Live(Hello(odr_hz=4000, accel_range_g=16))
    for frames in Decoder().feed(stream):
        live.take(frames)
    return live


def test_losses_are_the_steps_of_the_counter(samples):
    # wire_format.md: a step of first_sample larger than the last frame's count is exactly the number missing
    live = _live(b"".join(samples(first, first * 250) for first in (0, 32, 64 + 37, 96 + 37)))
    assert (live.samples, live.missing_samples) == (128, 37)
    assert live.seconds == pytest.approx((128 + 37) / 4000)


def test_what_the_box_sent_last_is_missed_at_its_bye(samples, by_hand):
    # wire_format.md: the bye's first_sample is the counter behind the last sample that the box has sent
    live = _live(samples(0, 0) + samples(32, 8000) + by_hand.frame(6, b"{}", first=96))
    assert (live.samples, live.missing_samples, live.seconds) == (64, 32, 96 / 4000)


def test_the_rate_is_samples_over_the_box_clock(samples):
    # wire_format.md: sample first_sample + fifo_level − 1 was made before clock_us; here at 4052 Hz exactly
    frames = [samples(n, round((n + 40 - 1) / 4052 * 1e6), fifo_level=40) for n in range(0, 40_520, 32)]
    assert _live(b"".join(frames)).rate_hz == pytest.approx(4052, rel=1e-6)


def test_peaks_are_in_metres_per_second_squared(samples):
    # data sheet DS-000347: ±16 g over 32768 counts, 2048 counts a g; −32768 means no valid reading
    live = _live(samples(0, 0, (2048, -4096, -32768)))
    np.testing.assert_allclose(live.peak_ms2, [9.80665, 2 * 9.80665, 0])


def test_a_restarted_box_counts_from_zero_without_loss(samples):
    live = _live(samples(0, 0) + samples(32, 8000))
    live.box_started()
    for frames in Decoder().feed(samples(0, 5)):
        live.take(frames)
    assert (live.samples, live.missing_samples) == (96, 0)


def test_the_reading_with_the_least_delay_in_each_second_is_kept(samples):
    stream, arrivals, delays_us = b"", deque(), [900, 150, 700, 800, 300, 500]
    for k, delay_us in enumerate(delays_us):
        clock_us = 1_000_000 + 400_000 * k
        stream += samples(32 * k, clock_us)
        arrivals.append((len(stream), (clock_us + delay_us) * 1000))
    log = ClockLog()
    for frames in Decoder().feed(stream):
        log.take(frames, arrivals, "b1")
    log.close_interval()
    kept = [reading.clock_us for reading in log.readings]
    assert kept == [1_400_000, 2_600_000, 3_000_000]  # of 1 s: 900, 150, 700 µs; of 2 s: 800, 300; of 3 s: 500
    assert all(reading.sent_unix_s is None for reading in log.readings)


def test_the_clock_log_stays_small_however_long_the_drive(samples):
    log = ClockLog()
    for second in range(20_000):
        frame = samples(0, second * 1_000_000)
        for frames in Decoder().feed(frame):
            log.take(frames, deque([(len(frame), second * 10**9)]), "b1")
    assert 0.3 * MOST_READINGS < len(log.readings) <= MOST_READINGS
    assert log.readings[0].clock_us == 0
    assert log.readings[-1].clock_us > 19_900_000_000


def test_a_filling_disk_is_reported_once_and_counts_as_full_in_time(monkeypatch, tmp_path):
    """The capture of what is already recorded needs space too."""
    free = 700 * (1 + CAPTURE_SHARE) * 72e3 + CAPTURE_BYTES
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=free))
    watch = HostWatch(tmp_path, 72e3)
    assert watch.look(0) == []
    assert watch.space_s == pytest.approx(700)
    free = 590 * (1 + CAPTURE_SHARE) * 72e3 + CAPTURE_BYTES + CAPTURE_SHARE * 1e8
    assert watch.look(100_000_000) == ["the disk has space for only 9.8 more minutes of recording"]
    assert watch.look(100_000_000) == []
    assert not watch.full
    free = 29 * (1 + CAPTURE_SHARE) * 72e3 + CAPTURE_BYTES
    watch.look(0)
    assert watch.full


@pytest.mark.parametrize("seconds", [1, 60])
def test_the_capture_of_an_incompressible_recording_fits_its_space(seconds, by_hand, tmp_path, monkeypatch):
    taken = []
    monkeypatch.setattr(writing, "allocate", lambda path, size: taken.append(size) or allocate(path, size))
    counts = np.random.default_rng(1).integers(-32000, 32000, (4000 * seconds, 6))
    capture = by_hand.capture(tmp_path / "drive", by_hand.recording(counts=counts))
    raw_bytes = capture.with_suffix(".ttraw").stat().st_size
    assert max(taken) < CAPTURE_SHARE * raw_bytes + CAPTURE_BYTES


def test_a_sleep_shows_in_the_two_clocks(monkeypatch, tmp_path):
    # clock_gettime(2): CLOCK_MONOTONIC does not count the time that the system is suspended, CLOCK_REALTIME does
    watch = HostWatch(tmp_path, 72e3)
    assert watch.look(0) == []
    later = HostTime(time.time() + 3600, time.monotonic())
    monkeypatch.setattr(HostTime, "now", lambda: later)
    assert watch.look(0) == ["the computer slept or its clock was set: its time jumped by 3600 s"]
