"""Taps on simulated mounts: their resonance and damping are recovered."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from towertap.bench.tap import decay_modes, find_taps, measure
from towertap.box.simulated import SimulatedBox
from towertap.cli.bench import command
from towertap.errors import AnalysisError

RATE_HZ, FULL_SCALE = 8000.0, 156.9
NOISE = 6.9e-4 * np.sqrt(RATE_HZ / 2)
"""White noise at the data sheet's density, m/s²."""


def test_a_mount_of_340_hz_and_4_percent_is_found(ringing):
    """Within 2 % of frequency and 10 % of damping, on every axis; usable to a third and a fifth (ISO 5348 practice)."""
    rng = np.random.default_rng(31)
    motion = ringing(rng, RATE_HZ, [(340.0, 0.04)] * 3)
    taps = measure(motion + rng.normal(0, NOISE, motion.shape), RATE_HZ, FULL_SCALE)
    assert len(taps.at_s) == 4
    assert taps.at_s == pytest.approx([0.303, 1.303, 2.303, 3.303], abs=0.002)
    for resonance in taps.resonances.values():
        assert resonance.frequency_hz == pytest.approx(340.0, rel=0.02)
        assert resonance.damping == pytest.approx(0.04, rel=0.10)
        assert resonance.taps == 4
    assert taps.usable_hz == pytest.approx({"one_third": 340 / 3, "one_fifth": 68.0}, rel=0.02)


def test_each_axis_has_its_own_resonance_and_the_lowest_limits_the_band(ringing):
    """From foam tape to a stud."""
    rng = np.random.default_rng(32)
    motion = ringing(rng, RATE_HZ, [(60.0, 0.10), (200.0, 0.05), (900.0, 0.02)])
    taps = measure(motion + rng.normal(0, NOISE, motion.shape), RATE_HZ, FULL_SCALE)
    resonances = taps.resonances.values()
    assert [resonance.frequency_hz for resonance in resonances] == pytest.approx([60, 200, 900], rel=0.02)
    assert [resonance.damping for resonance in resonances] == pytest.approx([0.10, 0.05, 0.02], rel=0.10)
    assert taps.usable_hz["one_third"] == pytest.approx(20.0, rel=0.02)


@pytest.mark.parametrize("rows", range(24, 48, 4))
@pytest.mark.parametrize(("frequency_hz", "damping"), [(900.0, 0.12), (1300.0, 0.08), (2000.0, 0.05)])
def test_the_short_decay_of_a_stiff_mount_is_read(rows, frequency_hz, damping):
    """Three to six milliseconds of a damped sine of known poles, with the sensor's noise."""
    t, w = np.arange(rows) / RATE_HZ, 2 * np.pi * frequency_hz
    decay = 10.0 * np.exp(-damping * w * t) * np.sin(w * np.sqrt(1 - damping**2) * t + 0.4)
    strongest = decay_modes(decay + np.random.default_rng(rows).normal(0, NOISE, rows), RATE_HZ, NOISE)[0]
    assert strongest.frequency_hz == pytest.approx(frequency_hz, rel=0.01)
    assert strongest.damping == pytest.approx(damping, rel=0.05)


def test_a_decay_without_a_wave_has_no_mode_below_half_the_rate():
    """All poles real: an exponential decay, and one that changes sign from sample to sample."""
    fall = np.exp(-np.arange(200) / 20.0)
    modes = decay_modes(fall + 0.5 * (-0.9) ** np.arange(200), RATE_HZ)
    assert all(mode.frequency_hz >= RATE_HZ / 2 for mode in modes)


def test_two_modes_of_one_decay_are_separated():
    """Known poles of damped sines: natural frequency |s|/2π, damping −Re s/|s|; energy is amplitude²/2σ."""
    t = np.arange(600) / RATE_HZ
    decay = np.zeros(t.size)
    for f_hz, damping, amplitude in ((250.0, 0.05, 10.0), (310.0, 0.03, 4.0)):
        w = 2 * np.pi * f_hz
        decay += amplitude * np.exp(-damping * w * t) * np.sin(w * np.sqrt(1 - damping**2) * t + 0.4)
    modes = decay_modes(decay + np.random.default_rng(1).normal(0, 0.02, t.size), RATE_HZ, 0.02)[:2]
    assert [mode.frequency_hz for mode in modes] == pytest.approx([250, 310], rel=0.01)
    assert [mode.damping for mode in modes] == pytest.approx([0.05, 0.03], rel=0.1)


def test_noise_alone_has_no_modes_and_no_taps():
    rng = np.random.default_rng(2)
    assert decay_modes(rng.normal(0, 1, 600), RATE_HZ, 1.0) == []
    assert find_taps(rng.normal(0, NOISE, (16_000, 3)), RATE_HZ) == []


def test_axes_that_ring_differently_at_every_tap_have_no_resonance(ringing):
    """A loose box: each tap another frequency."""
    rng = np.random.default_rng(33)
    parts = [ringing(rng, RATE_HZ, [(f, 0.05)] * 3, taps=1) for f in (80.0, 260.0, 700.0)]
    motion = np.concatenate(parts)
    taps = measure(motion + rng.normal(0, NOISE, motion.shape), RATE_HZ, FULL_SCALE)
    assert taps.resonances == {"x": None, "y": None, "z": None}
    assert taps.usable_hz is None


def test_taps_beyond_the_range_are_left_out_and_too_few_are_refused(ringing):
    motion = ringing(np.random.default_rng(34), RATE_HZ, [(340.0, 0.04)] * 3)
    cut = np.clip(motion, -8.0, 8.0 + 9.80665)
    with pytest.raises(AnalysisError, match="0 usable taps \\(4 found, 4 beyond the sensor's range\\)"):
        measure(cut, RATE_HZ, 8.0)
    with pytest.raises(AnalysisError, match="1 usable tap \\(1 found"):
        measure(motion[: round(0.9 * RATE_HZ)], RATE_HZ, FULL_SCALE)
    with pytest.raises(AnalysisError, match="0 usable taps \\(0 found"):
        measure(np.zeros((8000, 3)), RATE_HZ, FULL_SCALE)


def test_the_same_mount_through_chip_firmware_and_port(tmp_path, ringing):
    motion = ringing(np.random.default_rng(5), 16000.0, [(340.0, 0.04)] * 3, taps=3, blow_s=0.002)
    with SimulatedBox(motion, 16000.0, oscillator_ppm=6000) as box:
        arguments = ["tap", "--port", box.port, "--bench", str(tmp_path), "--seconds", "3.6", "--json"]
        done = CliRunner().invoke(command, arguments, standalone_mode=False)
    assert done.return_value == 0, done.output
    data = json.loads(done.stdout)
    for resonance in data["resonances"].values():
        assert resonance["frequency_hz"] == pytest.approx(340, rel=0.02)
        assert resonance["damping"] == pytest.approx(0.04, rel=0.10)
    assert data["usable_hz"]["one_third"] == pytest.approx(340 / 3, rel=0.02)
