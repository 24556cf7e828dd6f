"""Six-position calibration of simulated sensors, and normal gravity against WGS 84."""

import numpy as np
import pytest
from towertap.bench.poses import FACES, Pose, find_poses
from towertap.bench.records import BoxSetup, Record
from towertap.bench.tumble import (
    STANDARD,
    Gravity,
    calibrate,
    correction,
    local_gravity,
    normal_gravity,
    scale_uncertainty,
)
from towertap.cli._outcome import plain
from towertap.errors import AnalysisError, CallError

G = Gravity(9.81, 0.0, "known exactly")
WINDOW_NOISE = 6.9e-4 / np.sqrt(2 * 0.5)
"""Standard deviation of a mean over 0.5 s of white noise at the data sheet's density, N/√(2·tau), m/s²."""


def positions(rng, matrix, offset, lean_deg, faces=FACES, windows=18):
    """Poses of a chip with this matrix and offset, on faces that lean by `lean_deg` (r.m.s.) in each direction."""
    poses = []
    for face in faces:
        up = Pose(face, np.zeros((1, 3))).direction
        up = up + (up == 0) * rng.normal(0, np.deg2rad(lean_deg), 3)
        reading = matrix @ (G.value * up / np.linalg.norm(up)) + offset
        poses.append(Pose(face, reading + rng.normal(0, WINDOW_NOISE, (windows, 3))))
    return poses


@pytest.mark.parametrize("lean_deg", [0.0, 0.2, 0.5])
def test_500_sets_are_recovered_within_their_uncertainty_in_95_percent(lean_deg):
    """Offsets of the data sheet's order (20 mg), scales and cross-axis of 1 %, faces placed ideally to badly."""
    rng = np.random.default_rng(21)
    inside = {"offset": [], "scale": [], "cross": []}
    diagonal = np.eye(3, dtype=bool)
    for _ in range(500):
        matrix, offset = np.eye(3) + rng.normal(0, 0.01, (3, 3)), rng.normal(0, 0.2, 3)
        result = calibrate(positions(rng, matrix, offset, lean_deg), G)
        is_inside = np.abs(result.matrix - matrix) <= result.expanded_matrix
        inside["offset"].append(np.abs(result.offset_ms2 - offset) <= result.expanded_offset_ms2)
        inside["scale"].append(is_inside[diagonal])
        inside["cross"].append(is_inside[~diagonal])
    for name, of_sets in inside.items():
        assert 0.92 <= np.mean(of_sets) <= 0.98, name


def test_without_noise_the_model_is_recovered():
    matrix, offset = np.array([[1.01, 0.004, -0.002], [0.003, 0.99, 0.001], [-0.005, 0.002, 1.005]]), [0.1, -0.2, 0.3]
    exact = [Pose(f, np.tile(matrix @ (G.value * p.direction) + offset, (6, 1)) + NUDGE) for f, p in NOMINAL.items()]
    result = calibrate(exact, G)
    assert result.matrix == pytest.approx(matrix, abs=1e-7)
    assert result.offset_ms2 == pytest.approx(offset, abs=1e-7)
    assert result.residual_ms2 < 1e-7


NOMINAL = {face: Pose(face, np.zeros((1, 3))) for face in FACES}
NUDGE = 1e-9 * np.array([[1], [-1], [1], [-1], [1], [-1]])
"""Scatter within a pose, of zero mean; every real sensor has some."""


def test_the_placing_shows_in_the_residual():
    """Leans of 0.5° in each direction are recovered; 12 poses leave 18 degrees of freedom, 17 %."""
    rng = np.random.default_rng(3)
    angles = [calibrate(positions(rng, np.eye(3), np.zeros(3), 0.5, FACES * 2), G).angle_deg for _ in range(50)]
    assert np.sqrt(np.mean(np.square(angles))) == pytest.approx(0.5, rel=0.1)


def test_unknown_gravity_affects_only_the_scale():
    poses = positions(np.random.default_rng(4), np.eye(3), np.zeros(3), 0.1)
    known, guessed = calibrate(poses, G), calibrate(poses, STANDARD)
    assert known.expanded_gravity == 0
    assert np.diag(guessed.expanded_matrix) == pytest.approx([1.96 * 0.015 / 9.80665] * 3, rel=0.01)
    assert guessed.expanded_offset_ms2 == pytest.approx(known.expanded_offset_ms2, rel=1e-3)


@pytest.mark.parametrize(
    ("faces", "missing"),
    [(("+x", "+y", "+z"), "-x, -y, -z"), (("+x", "-x", "+y", "-y", "+z"), "-z"), ((), "+x, -x, +y, -y, +z, -z")],
)
def test_missing_faces_are_refused_by_name(faces, missing):
    with pytest.raises(AnalysisError, match="missing: ") as refused:
        calibrate(positions(np.random.default_rng(1), np.eye(3), np.zeros(3), 0.1, faces), G)
    assert f"missing: {missing}." in str(refused.value)
    assert "both of its faces" in str(refused.value)


def test_readings_that_are_not_gravity_are_refused():
    with pytest.raises(AnalysisError, match="do not look like gravity"):
        calibrate(positions(np.random.default_rng(1), 2 * np.eye(3), np.zeros(3), 0.1), G)


def test_applying_a_calibration_restores_the_truth():
    rng = np.random.default_rng(9)
    matrix, offset = np.eye(3) + rng.normal(0, 0.01, (3, 3)), rng.normal(0, 0.2, 3)
    result = calibrate(positions(rng, matrix, offset, 0.0), G)
    record = Record("calibration", BoxSetup("e6", "chip", 1000.0, 16.0, None), "", None, "a", plain(result.data()))
    truth = rng.normal(0, 5, (1000, 3))
    measured_offset, inverse = correction(record)
    assert (truth @ matrix.T + offset - measured_offset) @ inverse.T == pytest.approx(truth, abs=3e-3)
    rotation = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    assert scale_uncertainty(record, rotation) == pytest.approx(np.diag(result.expanded_matrix)[[1, 0, 2]])


@pytest.mark.parametrize(
    ("latitude", "gravity"),
    [(0, 9.7803253359), (90, 9.8321849378), (-90, 9.8321849378), (45, 9.806199)],
)
def test_normal_gravity_at_sea_level(latitude, gravity):
    """NIMA TR8350.2 table 3.4 (equator, pole); Moritz 1980, GRS 80, 45°: 9.806199203, some 1.5e-6 from WGS 84."""
    assert normal_gravity(latitude) == pytest.approx(gravity, abs=1e-9 if latitude != 45 else 2e-6)


def test_gravity_falls_with_height():
    """The free-air gradient, −0.3086 mGal per metre at mid latitudes (Heiskanen & Moritz 1967)."""
    assert (normal_gravity(45, 1000) - normal_gravity(45)) / 1000 == pytest.approx(-0.3086e-5, rel=1e-3)


def test_an_impossible_place_is_refused():
    for latitude, height in ((91, 0), (0, 1e5), (float("nan"), 0)):
        with pytest.raises(CallError):
            normal_gravity(latitude, height)
    with pytest.raises(CallError, match="add --latitude"):
        local_gravity(None, 100.0)
    assert local_gravity(None, None) is STANDARD


def motion(rng, rate_hz=500.0):
    """12 s still with z up, a turn by hand, 8 s leaning by 30°, a knock, 6 s with y down; with white noise."""
    z, y = np.array([0, 0, 9.81]), np.array([0, -9.81, 0])
    lean = 9.81 * np.array([0.5, 0.0, 0.75**0.5])
    parts = [(z, 12, 0.02), (z, 1, 3.0), (lean, 8, 0.02), (lean, 0.5, 5.0), (y, 6, 0.02)]
    return np.concatenate([mean + rng.normal(0, sd, (round(s * rate_hz), 3)) for mean, s, sd in parts]), rate_hz


def test_still_stretches_and_their_faces_are_found():
    values, rate_hz = motion(np.random.default_rng(5))
    finder = find_poses([np.array_split(values, 7)], rate_hz)
    assert [pose.face for pose in finder.poses] == ["+z", "-y"]
    # Half a second is dropped at either end.
    assert [pose.seconds for pose in finder.poses] == pytest.approx([11.0, 5.0], abs=0.5)
    assert finder.leaning == pytest.approx([30.0], abs=0.1)
    assert finder.poses[0].mean == pytest.approx([0, 0, 9.81], abs=0.002)


def test_a_gap_splits_a_pose():
    values, rate_hz = motion(np.random.default_rng(5))
    still = values[: round(12 * rate_hz)]
    assert len(find_poses([[still], [still]], rate_hz).poses) == 2


def test_a_slow_turn_is_not_a_pose():
    """At 0.5 °/s the mean moves by 9.81·sin(0.25°) = 0.043 m/s² from window to window, above 0.03."""
    t = np.arange(0, 20, 0.002)
    angle = np.deg2rad(0.5) * t
    values = 9.81 * np.stack([np.sin(angle), 0 * t, np.cos(angle)], axis=1)
    finder = find_poses([[values]], 500.0)
    assert finder.poses == []
