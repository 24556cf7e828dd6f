"""Rates, drifts and the host's clock, put in and read back."""

import h5py
import numpy as np
import pytest
from towertap.bench.clock import host_clock, measure, rate_parts, slope
from towertap.capture.rate import Readings
from towertap.capture.reading import open_capture


def frames(ppm_of, seconds=600.0, rate_hz=1000.0, every=32, seed=1):
    """Newest sample and box clock (µs) at each frame, for a chip whose rate is nominal × (1 + ppm_of(t)·1e-6)."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, seconds, round(seconds * rate_hz) + 1)
    samples = np.concatenate([[0], np.cumsum(np.diff(t) * rate_hz * (1 + 1e-6 * ppm_of(t[:-1])))])
    newest = np.arange(every - 1, samples[-1], every).astype(int)
    clock_us = np.ceil(np.interp(newest, samples, t) * 1e6 + rng.exponential(20, newest.size)).astype(int)
    return newest, clock_us


def parts_of(ppm_of, temperature_of=lambda t: 25 + 0 * t, **kind):
    newest, clock_us = frames(ppm_of, **kind)
    of_frames = Readings(newest, clock_us, np.zeros(newest.size, int), np.zeros(newest.size, int))
    return rate_parts(of_frames, temperature_of(clock_us / 1e6), 1000.0)


def test_a_drift_put_in_is_read_back():
    """12 ppm an hour, from 8000 ppm off."""
    parts = parts_of(lambda t: 8000 + 12 * t / 3600)
    assert len(parts) == 60
    found = slope(np.array([p.at_s for p in parts]) / 3600, np.array([p.rate_ppm for p in parts]))
    assert found.interval[0] <= 12 <= found.interval[1]
    assert found.value == pytest.approx(12, abs=2)
    assert parts[0].rate_ppm == pytest.approx(8000, abs=2)


def test_a_temperature_coefficient_put_in_is_read_back():
    """−3 ppm a degree while the chip warms from 15 to 35 °C and cools again: time alone does not explain it."""

    def warmth(t):
        return 25 - 10 * np.cos(2 * np.pi * t / 600)

    parts = parts_of(lambda t: -3 * (warmth(t) - 25), warmth)
    warm = np.array([p.temperature_c for p in parts])
    found = slope(warm, np.array([p.rate_ppm for p in parts]))
    assert found.value == pytest.approx(-3, abs=0.05)
    assert found.interval[0] <= -3 <= found.interval[1]
    of_time = slope(np.array([p.at_s for p in parts]), np.array([p.rate_ppm for p in parts]))
    assert of_time.interval[0] <= 0 <= of_time.interval[1]


def test_no_part_lies_across_a_restart():
    """The second half's counter and clock begin anew; both halves have the same rate."""
    newest, clock_us = frames(lambda t: 500 + 0 * t, seconds=100)
    stretch = np.repeat([0, 1], newest.size)
    twice = np.concatenate([newest, newest]), np.concatenate([clock_us, clock_us + 300_000_000])
    parts = rate_parts(Readings(*twice, stretch, stretch), np.full(stretch.size, np.nan), 1000.0)
    assert len(parts) == 20
    assert [part.rate_ppm for part in parts] == pytest.approx([500] * 20, abs=5)
    assert {part.temperature_c for part in parts} == {None}


def test_too_few_parts_or_no_warming_have_no_slope():
    assert slope(np.arange(5.0), np.arange(5.0)) is None
    assert slope(np.ones(10), np.arange(10.0)) is None


def readings(fast_ppm, *, seconds=600, bend_s=0.0, seed=3):
    """A greeting at either end with 2 ms of doubt, and a frame a second that arrives 1 to 9 ms late."""
    rng = np.random.default_rng(seed)
    host = np.arange(seconds + 1.0)
    box = 1000 + host * (1 + fast_ppm * 1e-6) + bend_s * np.sin(2 * np.pi * host / seconds)
    late = rng.uniform(0.001, 0.009, host.size)
    ends = {0, seconds}
    return [
        (b, h - 0.001 if i in ends else None, h + (0.001 if i in ends else d))
        for i, (b, h, d) in enumerate(zip(box, host, late, strict=True))
    ]


@pytest.mark.parametrize("fast_ppm", [-37.0, 0.0, 52.0])
def test_the_hosts_clock_bounds_the_boxs(fast_ppm):
    """Bounds, not estimates: the truth lies within, whatever the delays; ±1 ms at both ends of 600 s is ±3.3 ppm."""
    found = host_clock(readings(fast_ppm))
    assert found.bounds_ppm[0] <= fast_ppm <= found.bounds_ppm[1]
    assert found.bounds_ppm[1] - found.bounds_ppm[0] <= 2 * 2e-3 / 600 * 1e6 * 1.001
    assert found.bend_s == 0
    assert not found.wild


def test_clocks_that_follow_no_straight_line_are_told():
    """A bend of 30 ms does not fit through gates of a few milliseconds."""
    found = host_clock(readings(10.0, bend_s=0.03))
    assert 0.005 < found.bend_s < 0.03
    assert found.fast_ppm == pytest.approx(10.0, abs=60)


def test_a_sleeping_host_is_told():
    """A jump of half a second between the two greetings is 833 ppm."""
    slept = [(box - 0.5 * (box > 1300), before, after) for box, before, after in readings(0.0)]
    assert host_clock([slept[0], slept[-1]]).wild


@pytest.mark.parametrize(
    "harm", ['{"clock": 5}', '{"clock": [{}]}', '{"clock": [{"boot_id": "a", "clock_us": "late"}]}']
)
def test_damaged_readings_are_left_out(make_capture, harm):
    path = make_capture()
    with h5py.File(path, "r+") as file:
        file.attrs["host"] = np.bytes_(harm)
    with open_capture(path) as capture:
        assert measure(capture).host is None


def test_a_capture_without_readings_still_has_its_rate(make_capture):
    """Two seconds at 4 kHz by hand, not a part long enough for a drift."""
    with open_capture(make_capture()) as capture:
        found = measure(capture)
    assert found.rate_ppm[0] == pytest.approx(0, abs=20)
    assert found.host is None
    assert found.parts == []
    assert found.drift_ppm_per_h is None


def test_one_greeting_is_not_enough():
    assert host_clock(readings(0.0)[:300]) is None
    assert host_clock([]) is None
