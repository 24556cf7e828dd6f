"""The chip model's samples of a motion against analysis and the data sheet: noise, filters, rate, scale, limits."""

from __future__ import annotations

import resource

import numpy as np
import pytest
from scipy import signal as sps
from scipy import stats

G = 9.80665
PACKET = np.dtype([("header", "u1"), ("a", ">i2", 3), ("w", ">i2", 3), ("t", "i1"), ("stamp", ">u2")])
WIDE = "bank(1, (0x0B, 0xA2))\nbank(2, (0x03, 0x31))\nwrite(0x52, 0xFF)\n"  # both anti-alias and user filters off


def counts(text: str):
    """Acceleration and rotation, (n, 3) each, in counts."""
    packets = np.frombuffer(bytes.fromhex(text), PACKET)
    return packets["a"].astype(float), packets["w"].astype(float)


@pytest.fixture
def motion(tmp_path):
    """A function that writes rows of m/s² and rad/s as a file for the board, and returns the board's settings."""

    def write(rows, rate_hz=16000, **settings):
        six = np.zeros((len(rows), 6))
        six[:, : np.shape(rows)[1]] = rows
        (tmp_path / "motion").write_bytes(np.rint(six * 1e6).astype("<i4").tobytes())
        return {"signal": str(tmp_path / "motion"), "signal_rate_hz": rate_hz, **settings}

    return write


def sine(f_hz, amplitude, seconds=1.2, rate_hz=16000):
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    return np.stack([np.zeros_like(t), np.zeros_like(t), amplitude * np.sin(2 * np.pi * f_hz * t)], axis=1)


def amplitude(samples, f_hz, rate_hz):
    """Least-squares amplitude of a sine of known frequency."""
    t = np.arange(len(samples)) / rate_hz
    basis = np.stack([np.sin(2 * np.pi * f_hz * t), np.cos(2 * np.pi * f_hz * t), np.ones_like(t)], axis=1)
    return float(np.hypot(*np.linalg.lstsq(basis, samples, rcond=None)[0][:2]))


def test_noise_in_band_has_the_data_sheets_density(bench):
    """DS-000347 table 2: 70 µg/√Hz; table 1: 2.8 mdps/√Hz; estimated with scipy.signal.welch."""
    acceleration, rotation = counts(bench("start()\nanswer = collect(40000)"))
    for samples, unit, density in ((acceleration, 16 / 32768, 70e-6), (rotation, 2000 / 32768, 2.8e-3)):
        f, power = sps.welch(samples[200:] * unit, 4000, nperseg=2000, axis=0)
        band = (f >= 10) & (f <= 200)  # below the filters; quantisation adds (unit²/12)/(2000 Hz), subtracted
        measured = np.sqrt(power[band].mean(axis=0) - unit**2 / 12 / 2000)
        assert measured == pytest.approx([density] * 3, rel=0.03)
        assert stats.kurtosis(samples[200:]) == pytest.approx([0] * 3, abs=0.12)  # normal after filtering


def test_noise_before_the_filters_is_white_and_nearly_normal(bench):
    """At 32 kHz with every filter off a sample is one draw: flat spectrum, no correlation, a known kurtosis."""
    start = WIDE + "start(0x01, (0x52, 0xFF), (0x50, 0x61))\nanswer = collect(20000)"
    acceleration, rotation = counts(bench(start))
    noise = np.concatenate([acceleration, rotation], axis=1)[1500:]
    assert stats.kurtosis(noise[:, 0]) == pytest.approx(-1.2 / 4, abs=0.1)  # of a sum of four uniform numbers
    correlation = np.corrcoef(noise.T) - np.eye(6)
    assert np.abs(correlation).max() < 0.03  # 4 standard errors of 1/√n
    for lag in (1, 2, 8, 32):
        assert abs(np.corrcoef(noise[lag:, 0], noise[:-lag, 0])[0, 1]) < 0.03
    _, power = sps.welch(noise[:, 0], 32000, nperseg=256)
    octaves = [power[a:b].mean() for a, b in ((2, 8), (8, 32), (32, 128))]
    assert max(octaves) / min(octaves) < 1.25


def test_another_seed_gives_other_noise(bench):
    first, other, again = (counts(bench("start()\nanswer = collect(500)", seed=seed))[0] for seed in (1, 2, 1))
    assert np.array_equal(first, again)
    assert abs(np.corrcoef(first[:, 0], other[:, 0])[0, 1]) < 0.2


@pytest.mark.parametrize("f_hz", [40, 129, 258, 516, 1000])
def test_the_anti_alias_filter_is_a_second_order_low_pass(bench, motion, f_hz):
    """Section 5.3: DELT 6 is −3 dB at 258 Hz; a Butterworth of second order has the gain 1/√(1 + (f/fc)⁴)."""
    settings = motion(sine(f_hz, 20.0), noise=0)
    script = "bank(2, (0x03, 6 << 1), (0x04, 36), (0x05, 10 << 4))\nstart(0x03, (0x52, 0xFF))\nanswer = collect(8000)"
    samples = counts(bench(script, **settings))[0][2000:, 2] * 16 / 32768 * G
    gain = amplitude(samples, f_hz, 8000) / 20.0
    assert gain == pytest.approx(1 / np.sqrt(1 + (f_hz / 258) ** 4), rel=0.01)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_the_user_filter_has_its_bandwidth_and_order(bench, motion, order):
    """Section 5.5 and registers 52h, 53h: code 1 is a quarter of the rate; gain of a Butterworth at twice that."""
    script = f"bank(2, (0x03, 0x31))\nstart(0x04, (0x52, 0x1F), (0x53, {order - 1 << 3 | 5}))\nanswer = collect(4000)"
    for f_hz in (1000, 500):
        settings = motion(sine(f_hz, 20.0), noise=0)
        samples = counts(bench(script, **settings))[0][1000:, 2] * 16 / 32768 * G
        expected = 1 / np.sqrt(1 + (f_hz / 1000) ** (2 * order))
        assert amplitude(samples, f_hz, 4000) / 20.0 == pytest.approx(expected, rel=0.015)


def test_a_motion_between_its_rows_is_interpolated(bench, motion):
    """A 300 Hz sine given at 16 kHz and sampled by an oscillator 1.3 % fast keeps its amplitude within 0.1 %."""
    settings = motion(sine(300, 50.0), noise=0, oscillator_ppm=13000)
    samples = counts(bench(WIDE + "start(0x04, (0x52, 0xFF))\nanswer = collect(4000)", **settings))[0][:, 2]
    assert amplitude(samples, 300, 4052) * 16 / 32768 * G == pytest.approx(50.0, rel=1e-3)


@pytest.mark.parametrize("ppm", [-20000, 0, 13000])
def test_the_oscillators_error_is_the_error_of_the_rate(bench, ppm):
    """The chip samples at nominal × (1 + ppm): this many samples in 10 s of true time, to one."""
    script = "start()\nchip.run_to(board.now_ps)\nn = 0\nend = board.now_ps + 10**13\n"
    script += "while board.now_ps < end:\n    after(100)\n    n += level()\n    write(0x4B, 2)\n"
    script += "answer = [n, board.now_ps - end]"
    n, beyond_ps = bench(script, oscillator_ppm=ppm)
    assert n == pytest.approx((10 + beyond_ps * 1e-12) * 4000 * (1 + ppm * 1e-6), abs=1.5)


def test_full_scale_clips(bench, motion):
    """A 10 Hz sine of 300 m/s² (30.6 g) at ±16 g: flat at 32767 and −32767 (−32768 means no sample)."""
    samples = counts(bench("start()\nanswer = collect(4000)", **motion(sine(10, 300.0), noise=0)))[0][:, 2]
    assert (samples.max(), samples.min()) == (32767, -32767)
    clipped = np.mean(np.abs(samples) == 32767)
    assert clipped == pytest.approx(1 - 2 / np.pi * np.arcsin(16 * G / 300), abs=0.01)


def test_scale_error_and_offset(bench):
    """Counts are (1 + error) × true + offset."""
    settings = {"noise": 0, "scale_error": [0, 0, 0.02], "offset_counts": [-40, 0, 11]}
    acceleration, _ = counts(bench("start()\nanswer = collect(10)", **settings))
    assert acceleration[-1].tolist() == [-40, 0, round(2048 * 1.02) + 11]


@pytest.mark.parametrize(("repeat", "later"), [(False, 2048), (True, 4096)])
def test_after_its_end_the_motion_rests_or_repeats(bench, motion, repeat, later):
    """2 g for 0.1 s, then 1 g or 2 g again; more than one block of the reader either way."""
    settings = motion(np.full((1600, 3), [0, 0, 2 * G]), noise=0, repeat=repeat)
    samples = counts(bench("start()\nanswer = collect(2400)", **settings))[0][:, 2]
    assert np.all(samples[:398] == 4096)
    assert np.all(samples[420:] == later)


def test_long_motions_cross_blocks_without_a_step(bench, motion):
    """A ramp over ten blocks of rows stays a ramp: its second difference is rounding only."""
    ramp = np.linspace(-100, 100, 20000)[:, None] * [1, 0, 0]
    samples = counts(bench("start()\nanswer = collect(4900)", **motion(ramp, noise=0)))[0][50:, 0]
    assert np.abs(np.diff(samples, 2)).max() <= 2


def test_cpython_gives_the_same_bytes(bench, motion):
    """The fallback if MicroPython has no wheel: same files, same seed, same packets."""
    settings = motion(sine(37, 30.0, seconds=0.3), seed=7, oscillator_ppm=-1234, offset_counts=[1, -2, 3])
    script = "start()\nanswer = collect(600)"
    assert bench(script, "cpython", **settings) == bench(script, **settings)


def test_the_model_is_many_times_faster_than_the_chip(bench):
    """20 s at 4 kHz on the bench, including the interpreter's start; this leaves time for the rest of a box."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    bench("start()\nfor _ in range(1250):\n    after(64)\n    burst(0x30, 1024)\nanswer = level()")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)  # processor time, independent of other work on this machine
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 20 / 4
