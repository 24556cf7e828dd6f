"""Bench records enter every value: calibration, uncertainty of scale, share of noise, usable band."""

import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.bench import records
from towertap.bench.carried import BenchRecords, no_records, records_for
from towertap.bench.mounted import rotation_to_vehicle
from towertap.bench.poses import FACES, Pose
from towertap.bench.records import Record, RecordFor
from towertap.bench.tumble import Gravity, calibrate
from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.cli._outcome import plain
from towertap.errors import AnalysisError, CallError
from towertap.signals.metrics import METRICS
from towertap.wire.layouts import LAYOUTS

from tests.by_hand import BOX

RATE_HZ, COUNTS_PER_MS2, GRAVITY_MS2 = 4000.0, 2048 / 9.80665, 9.80665
DENSITY = 70e-6 * 9.80665
"""From the data sheet, m/s²/√Hz."""
OFFSET = np.array([-0.30, -0.20, 0.25])
MATRIX = np.array([[1.03, 0.01, -0.02], [0.0, 0.97, 0.015], [0.02, -0.01, 1.02]])
EXPANDED = np.array([[1e-3, 5e-4, 5e-4], [5e-4, 2e-3, 5e-4], [5e-4, 5e-4, 3e-3]])


@pytest.fixture
def captured(by_hand, make_capture):
    """A function from the chip's readings, (n, 3) in m/s², to an open capture at 4 kHz."""

    def make(reading, mounting="x=+X,y=+Y,z=+Z", name="drive"):
        frames = by_hand.recording(counts=np.hstack([reading * COUNTS_PER_MS2, np.zeros((len(reading), 3))]))
        return open_capture(make_capture(frames, name, Conditions(mounting=mounting)))

    return make


@pytest.fixture
def keep(tmp_path):
    """A function that writes a record of a kind into the folder `bench` next to the captures."""

    def make(kind, result, utc="2026-03-14T10:00:00+00:00"):
        return records.write(Record(kind, BOX, utc, (25.0, 25.0), "by hand", result), tmp_path / "bench")

    return make


@pytest.fixture
def calibration(keep):
    result = {"offset_ms2": OFFSET.tolist(), "matrix": MATRIX.tolist(), "expanded": {"matrix": EXPANDED.tolist()}}
    return keep("calibration", result)


def motion(seconds=8.0, amplitudes=(1.0, 1.5, 2.0)):
    """True motion of the box: sines of 7, 10 and 13 Hz along x, y and z, and gravity."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    waves = np.sin(2 * np.pi * np.outer(time_s, [7.0, 10.0, 13.0])) * amplitudes
    return waves + np.array([0.0, 0.0, GRAVITY_MS2])


def white(seconds, density, seed=3):
    """White noise on three axes, which dithers the counts as in a real chip, and gravity."""
    rng = np.random.default_rng(seed)
    return rng.normal([0, 0, GRAVITY_MS2], density * np.sqrt(RATE_HZ / 2), (int(seconds * RATE_HZ), 3))


def test_a_calibration_restores_the_motion_and_leaves_the_counts(captured, calibration):
    """With errors of scale, offset and cross-axis, values are those of a perfect sensor, and counts are as read."""
    reading = motion() @ MATRIX.T + OFFSET
    with captured(motion(), name="true") as capture:
        true = analyse_capture(capture, whole=True).whole
    with captured(reading) as capture:
        before = capture.counts("acceleration", 0, 1000)
        raw, corrected = (
            analyse_capture(capture, whole=True).whole,
            analyse_capture(capture, bench=records_for(capture), whole=True).whole,
        )
        assert (capture.counts("acceleration", 0, 1000) == before).all()
    assert before == pytest.approx(np.rint(reading[:1000] * COUNTS_PER_MS2), abs=0)
    for name in ("jerk_x", "acceleration_y", "weighted_z", "secondary_z", "vdv_z"):
        assert corrected[name] == pytest.approx(true[name], rel=5e-4), name
        assert abs(raw[name] / true[name] - 1) > 0.015, name


def test_gravity_shows_the_axes_through_the_calibration(captured, calibration):
    """At rest, offset and cross-axis of together 0.5 m/s² along x look like a slope of 2.9°."""
    still = np.tile([0.0, 0.0, GRAVITY_MS2], (8000, 1)) @ MATRIX.T + OFFSET
    with captured(still, "x=+X,z=gravity") as capture:
        assert rotation_to_vehicle(capture, bench=records_for(capture)) == pytest.approx(np.eye(3), abs=1e-3)
        assert abs(rotation_to_vehicle(capture)[2, 0]) > 0.03


@pytest.mark.parametrize(("mounting", "chip_axes"), [("x=+X,y=+Y,z=+Z", (0, 1, 2)), ("x=-Y,y=+Z,z=-X", (1, 2, 0))])
def test_the_scale_uncertainty_is_in_absolute_values_and_not_in_a_ratio(captured, calibration, mounting, chip_axes):
    """GUM 5.1: a value proportional to the scale has its relative uncertainty; the crest factor is a ratio."""
    with captured(motion(), mounting) as capture:
        analysis = analyse_capture(capture, bench=records_for(capture), whole=True)
    scale = dict(zip("xyz", np.diag(EXPANDED)[list(chip_axes)], strict=True))
    assert analysis.bench.scale_uncertainty == pytest.approx(tuple(scale.values()))
    assert analysis.uncertainty.keys() == analysis.whole.keys() - {"crest_factor_z"}
    for name, half in analysis.uncertainty.items():
        assert half == pytest.approx(scale[METRICS[name].axes[0]] * analysis.whole[name]), name


@pytest.mark.parametrize(("lean_deg", "most"), [(0.0, 0.98), (0.2, 1.0)])
def test_the_truth_lies_within_the_uncertainty_in_95_percent(lean_deg, most):
    """300 sensors of 1 % error, tumbled on faces that lean, then shaken along each axis of a vehicle.

    Leaning adds uncertainty to each element of the matrix. A common turn of the box is part of it but changes no
    length, so coverage exceeds 95 %.
    """
    rng, gravity, inside = np.random.default_rng(31), Gravity(9.81, 0.0, "known exactly"), []
    turned = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    for _ in range(300):
        matrix, offset = np.eye(3) + rng.normal(0, 0.01, (3, 3)), rng.normal(0, 0.2, 3)
        poses = []
        for face in FACES:
            up = Pose(face, np.zeros((1, 3))).direction
            up = up + (up == 0) * rng.normal(0, np.deg2rad(lean_deg), 3)
            reading = matrix @ (9.81 * up / np.linalg.norm(up)) + offset
            poses.append(Pose(face, reading + rng.normal(0, 7e-4, (18, 3))))
        record = Record("calibration", BOX, "", None, "by hand", plain(calibrate(poses, gravity).data()))
        bench = BenchRecords(LAYOUTS[1], BOX, RecordFor(record, ""), *4 * [RecordFor(None, "")])
        scale = np.diag(turned @ bench.correction[1] @ matrix @ turned.T)
        inside.append(np.abs(scale - 1) <= bench.scale_uncertainty(turned))
    assert 0.92 <= np.mean(inside) <= most


def test_without_a_calibration_the_data_sheets_tolerance_is_used(captured):
    """DS-000347 table 2: initial tolerance of sensitivity ±0.5 %."""
    with captured(motion()) as capture:
        analysis = analyse_capture(capture, bench=records_for(capture), whole=True)
    assert analysis.uncertainty["jerk_z"] == pytest.approx(0.005 * analysis.whole["jerk_z"])
    assert (
        "make one with 'towertap bench tumble'; until then absolute values have the data sheet's tolerance of ±0.5 %"
        in (analysis.bench.words["calibration"])
    )
    assert analysis.bench.measured_utc == dict.fromkeys(("noise", "calibration", "tap", "selftest", "idle"))


@pytest.mark.parametrize(("times", "judged"), [(1.0, "not judged"), (2.0, "marked"), (10.0, "clean")])
def test_without_a_noise_record_the_data_sheets_density_is_used(captured, times, judged):
    """White acceleration of `times` the data sheet's density has a share 1/times² of noise."""
    with captured(white(24.0, times * DENSITY)) as capture:
        analysis = analyse_capture(capture, bench=records_for(capture), whole=True)
    assert analysis.noise.keys() == analysis.whole.keys()
    for name, share in analysis.noise.items():
        # 20 s of 3.5 Hz have 140 degrees of freedom: power scatters by 12 %, twice that; rounding adds 3 % of power
        assert share.share == pytest.approx(1 / times**2, rel=0.35 if name == "primary_z" else 0.12), name
        assert share.judged == judged
    assert "noise is taken from the data sheet's density of 70 µg/√Hz" in analysis.bench.words["noise"]


def test_the_noise_record_replaces_the_data_sheet_and_is_calibrated(captured, keep, calibration):
    """Noise powers of the chip's axes add with the squares of the inverse matrix's row, computed by hand."""
    floors = {"jerk_z": {"rms": [3.0, 4.0, 5.0], "band_hz": [0.0, 100.0]}}
    keep("noise", {"at_rest": True, "density": {"value": [DENSITY] * 3}, "floors": floors})
    with captured(motion() @ MATRIX.T + OFFSET) as capture:
        analysis = analyse_capture(capture, metrics=["jerk_z"], bench=records_for(capture), whole=True)
    row = np.linalg.inv(MATRIX)[2]
    assert analysis.noise["jerk_z"].floor == pytest.approx(np.sqrt(row**2 @ np.array([9.0, 16.0, 25.0])))
    assert analysis.bench.words["noise"].startswith("noise record e6605481-noise-20260314T100000Z.json")


def test_metrics_beyond_the_mounting_are_flagged(captured, keep):
    """ISO 5348 practice: a third of the mounted resonance."""
    keep("tap", {"resonances": {}, "usable_hz": {"one_third": 90.0, "one_fifth": 54.0}})
    with captured(motion()) as capture:
        analysis = analyse_capture(capture, bench=records_for(capture), whole=True)
    assert analysis.bench.usable_hz == 90.0
    assert analysis.beyond.keys() == {name for name, (_, high) in analysis.bands_hz.items() if high > 90.0}
    assert "jerk_z" in analysis.beyond
    assert "secondary_z" not in analysis.beyond


@pytest.mark.parametrize(
    ("result", "ok", "words"),
    [
        ({"ok": True, "axes": []}, True, ": passed"),
        ({"ok": False, "axes": [], "verdict": "the box was moved"}, False, ": the box was moved"),
    ],
)
def test_the_chips_self_test_is_in_the_summary(captured, keep, result, ok, words):
    keep("selftest", result)
    with captured(motion(5.0)) as capture:
        summary = analyse_capture(capture, bench=records_for(capture), whole=True).bench
    assert summary.selftest_ok is ok
    assert summary.words["selftest"].endswith(words)


def test_unusable_records_give_one_line(captured, keep, tmp_path):
    keep("calibration", {"offset_ms2": [0.0] * 3, "matrix": np.zeros((3, 3)).tolist(), "expanded": {"matrix": 9 * [0]}})
    with captured(motion(5.0)) as capture:
        assert records_for(capture).calibration.record is None  # wrong shape for its kind
        keep("calibration", {"offset_ms2": 3 * [0.0], "matrix": 3 * [3 * [0.0]], "expanded": {"matrix": 3 * [3 * [0]]}})
        with pytest.raises(AnalysisError, match="cannot be right: make it again"):
            analyse_capture(capture, bench=records_for(capture), whole=True)
        with pytest.raises(CallError, match="no folder"):
            records_for(capture, tmp_path / "nowhere")
        assert not any(no_records(capture).summary(np.eye(3)).measured_utc.values())
