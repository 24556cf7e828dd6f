"""`towertap bench tumble` and `tap` from the simulated box over its port."""

import json

import numpy as np
import pytest
from towertap.bench import records, tumble
from towertap.bench.poses import FACES, Pose
from towertap.box.simulated import SimulatedBox
from towertap.capture.reading import open_capture

G = 9.80665


def turned(faces, rng, rate_hz=100.0, still_s=13):
    """A box laid on one face after the other, and shaken in between."""
    parts = []
    for face in faces:
        up = Pose(face, np.zeros((1, 3))).direction * G
        parts += [np.tile(up, (round(still_s * rate_hz), 1)), up + rng.normal(0, 3, (round(rate_hz), 3))]
    return np.concatenate(parts), rate_hz


def test_six_positions_recover_offset_scale_and_cross_axis_of_the_simulated_chip(run, tmp_path):
    """Simulated: offsets in counts of 1/2048 g, scale errors, no cross-axis. It stops after the last face."""
    offset, scale = [20, -35, 50], [0.004, -0.006, 0.010]
    motion = turned(("+z", "+x", "-z", "-y", "-x", "+y"), np.random.default_rng(3))
    with SimulatedBox(*motion, offset_counts=offset, scale_error=scale, temperature_c=21.0) as box:
        status, out, err = run("bench", "tumble", "--port", box.port, "--bench", tmp_path, "--json")
    assert status == 0, err
    assert err.count(" up: done.") >= 1
    assert "All six are done." in err
    data = json.loads(out)
    expanded = data["expanded"]
    assert sorted(pose["face"] for pose in data["poses"]) == sorted(FACES)
    assert np.abs(np.array(data["offset_ms2"]) - np.array(offset) / 2048 * G).max() < 2 * max(expanded["offset_ms2"])
    error = np.array(data["matrix"]) - np.diag(1 + np.array(scale))
    assert (np.abs(error) < np.array(expanded["matrix"]) + 1e-5).all()
    assert expanded["gravity_part"] == pytest.approx(1.96 * 0.015 / G, rel=0.01)
    assert data["residual_ms2"] < 0.001
    with open_capture(data["captures"][0]) as capture:
        match = records.find(tmp_path, "calibration", capture)
        assert match.record.temperature_c == pytest.approx((21.0, 21.0), abs=0.1)
        first = capture.counts("acceleration", 2000, 10_000) * capture.scale_ms2
    offset, back = tumble.correction(match.record)
    assert back @ (first.mean(axis=0) - offset) == pytest.approx([0, 0, G], abs=0.002)


def test_three_positions_are_refused_with_the_reason(run, tmp_path):
    motion = turned(("+x", "+y", "+z"), np.random.default_rng(4), still_s=8)
    with SimulatedBox(*motion) as box:
        words = ("--bench", tmp_path, "--seconds", 28, "--latitude", 51)
        status, _, err = run("bench", "tumble", "--port", box.port, *words)
    assert status == 2
    assert "faces seen up: +x, +y, +z; missing: -x, -y, -z" in err
    assert "can only be separated with both of its faces" in err
    assert list(tmp_path.glob("*-calibration-*")) == []


def test_a_recording_without_taps_is_refused(refused, make_capture, by_hand):
    err = refused("bench", "tap", make_capture(by_hand.recording(3.0)))
    assert "tap 3 times or more" in err
