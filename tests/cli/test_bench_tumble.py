"""`towertap bench tumble`, `tap` and `clock` from the simulated box over its port."""

import json
import time

import numpy as np
import pytest
from towertap.bench import records, tumble
from towertap.bench.poses import FACES, Pose
from towertap.box.simulated import SimulatedBox
from towertap.capture.reading import open_capture

G = 9.80665


def turned(faces, rng, rate_hz=100.0, still_s=13):
    """A box that is laid on one face after the other, shaken in between."""
    parts = []
    for face in faces:
        up = Pose(face, np.zeros((1, 3))).direction * G
        parts += [np.tile(up, (round(still_s * rate_hz), 1)), up + rng.normal(0, 3, (round(rate_hz), 3))]
    return np.concatenate(parts), rate_hz


def test_six_positions_recover_offset_scale_and_cross_axis_of_the_simulated_chip(run, tmp_path):
    """Put in: offsets in counts of 1/2048 g, scale errors, no cross-axis. It ends by itself when all are done."""
    offset, scale = [20, -35, 50], [0.004, -0.006, 0.010]
    motion = turned(("+z", "+x", "-z", "-y", "-x", "+y"), np.random.default_rng(3))
    with SimulatedBox(*motion, offset_counts=offset, scale_error=scale, temperature_c=21.0) as box:
        status, out, err = run("bench", "tumble", "--port", box.port, "--bench", tmp_path, "--json")
    assert status == 0, err
    assert err.count(" up: enough.") >= 1
    assert "All six done." in err
    data = json.loads(out)
    expanded = data["expanded"]
    assert sorted(pose["face"] for pose in data["poses"]) == sorted(FACES)
    assert np.abs(np.array(data["offset_ms2"]) - np.array(offset) / 2048 * G).max() < 2 * max(expanded["offset_ms2"])
    error = np.array(data["matrix"]) - np.diag(1 + np.array(scale))
    assert (np.abs(error) < np.array(expanded["matrix"]) + 1e-5).all()
    assert expanded["gravity_part"] == pytest.approx(1.96 * 0.015 / G, rel=0.01)
    assert data["residual_ms2"] < 0.001
    with open_capture(data["captures"][0]) as capture:
        found = records.find(tmp_path, "calibration", capture)
        assert found.record.temperature_c == pytest.approx((21.0, 21.0), abs=0.1)
        first = capture.counts("acceleration", 2000, 10_000) * capture.scale_ms2
    offset, back = tumble.correction(found.record)
    assert back @ (first.mean(axis=0) - offset) == pytest.approx([0, 0, G], abs=0.002)


def test_three_positions_are_refused_with_the_reason(run, tmp_path):
    motion = turned(("+x", "+y", "+z"), np.random.default_rng(4), still_s=8)
    with SimulatedBox(*motion) as box:
        status, _out, err = run(
            "bench", "tumble", "--port", box.port, "--bench", tmp_path, "--seconds", 28, "--latitude", 51
        )
    assert status == 2
    assert "faces up that were seen: +x, +y, +z; missing: -x, -y, -z" in err
    assert "can only be told apart with both of its faces" in err
    assert list(tmp_path.glob("*-calibration-*")) == []


def test_a_recording_without_taps_is_refused(run, make_capture, by_hand):
    status, _out, err = run("bench", "tap", make_capture(by_hand.recording(3.0)))
    assert status == 2
    assert "tap 3 times or more" in err


def test_the_clock_of_a_box_that_is_fast_and_warms(run, tmp_path):
    """Chip 13 000 ppm fast, crystal 20 ppm slow, in virtual time: which the host's clock shows as no crystal's."""
    with SimulatedBox(
        None, oscillator_ppm=13000, crystal_ppm=-20, temperature_c=10, temperature_slope_c_per_min=2, latency_us=200
    ) as box:
        status, out, err = run("bench", "clock", "--port", box.port, "--bench", tmp_path, "--seconds", 90, "--json")
    assert status == 0, err
    data = json.loads(out)
    assert data["rate_ppm"] == pytest.approx(((1 + 13000e-6) / (1 - 20e-6) - 1) * 1e6, abs=1)
    assert data["temperature_c"][1] - data["temperature_c"][0] == pytest.approx(3.0, abs=0.2)
    coefficient = data["temperature_ppm_per_c"]
    # The simulated oscillator does not depend on temperature.
    assert coefficient["interval"][0] < 0.5
    assert coefficient["interval"][1] > -0.5
    assert abs(data["host"]["fast_ppm"]) > 500


def test_the_hosts_clock_holds_a_box_that_runs_in_real_time(run, tmp_path):
    """Both are this machine's clock, the box's 300 ppm slow; its process lags under load, by tens of ms in 3 s."""
    with SimulatedBox(None, realtime=True, crystal_ppm=-300) as box:
        begun = time.monotonic()
        status, out, err = run("bench", "clock", "--port", box.port, "--bench", tmp_path, "--seconds", 3, "--json")
        took_s = time.monotonic() - begun
    assert status == 0, err
    host = json.loads(out)["host"]
    assert took_s > 3
    low, high = host["bounds_ppm"]
    assert low <= host["fast_ppm"] <= high
    assert host["fast_ppm"] == pytest.approx(-300, abs=30000)
    assert host["readings"] >= 2
