"""A capture analysed: pieces, vehicle axes, what the rate carries, and the tables that are saved."""

import numpy as np
import pandas as pd
import pytest
from towertap.analysis import analyse_capture, windows_of
from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.cli.analyse import write_windows
from towertap.errors import AnalysisError, CallError
from towertap.signals.metrics import METRICS

STRAIGHT = Conditions(mounting="x=+X,y=+Y,z=+Z")
RATE_HZ, WATERMARK = 4000.0, 32
COUNTS_PER_MS2 = 2048 / 9.80665


def motion(seconds, seed=1):
    """Counts (n, 6) of a box on the road: noise and a 10 Hz sine of 2 m/s² on chip z, gravity on z, and the
    slow yaw of a vehicle that rolls."""
    n = int(seconds * RATE_HZ)
    rng = np.random.default_rng(seed)
    acceleration = rng.normal(0.0, 0.05, (n, 3)) + np.array([0.0, 0.0, 9.80665])
    acceleration[:, 2] += 2.0 * np.sin(2 * np.pi * 10.0 * np.arange(n) / RATE_HZ)
    rotation = np.zeros((n, 3), int)
    rotation[:, 2] = 33 * np.sin(2 * np.pi * 0.3 * np.arange(n) / RATE_HZ)  # 2 °/s
    return np.hstack([np.rint(acceleration * COUNTS_PER_MS2).astype(int), rotation])


@pytest.fixture
def drive(by_hand, make_capture):
    """A function that makes and opens a capture of `counts`, without the frames whose numbers are in `lost`."""

    def make(counts, conditions=STRAIGHT, lost=(), name="drive"):
        frames = by_hand.recording(counts=counts)
        return open_capture(make_capture([f for i, f in enumerate(frames) if i not in lost], name, conditions))

    return make


def test_windows_and_whole_of_a_sine(drive):
    # Analysis: A·2πf/√2 of jerk; the windows follow each other by a second from the end of settling.
    with drive(motion(8.0)) as capture:
        analysis = analyse_capture(capture)
    assert list(analysis.windows) == ["piece", "start_s", *METRICS]
    assert not analysis.left_out
    assert np.diff(analysis.windows["start_s"]) == pytest.approx(1.0, abs=1e-3)
    assert analysis.windows["start_s"][0] == pytest.approx(analysis.settling_s)
    assert analysis.windows["jerk_z"].to_numpy() == pytest.approx(2.0 * 2 * np.pi * 10.0 / np.sqrt(2), rel=0.03)
    assert analysis.whole["secondary_z"] == pytest.approx(np.sqrt(2), rel=0.01)
    energy = np.sqrt((analysis.windows["jerk_z"] ** 2).mean())
    assert analysis.whole["jerk_z"] == pytest.approx(energy)
    assert analysis.analysed_s == pytest.approx(len(analysis.windows), rel=1e-3)


def test_short_windows_joined_are_long_windows_and_none_reaches_over_a_gap(drive):
    with drive(motion(12.0), lost={750}) as capture:
        cells, long = (analyse_capture(capture, window_s=window_s) for window_s in (0.1, 1.0))
    joined = windows_of(cells.columns, cells.metrics, cells.kept.kept, 10)
    assert joined["piece"].tolist() == [0, 0, 1, 1]
    assert list(joined) == list(long.windows)
    for name in set(METRICS) - {"mtvv_z"}:  # whose first cells are too short for a running second
        assert joined[name] == pytest.approx(long.windows[name].to_numpy(), rel=1e-3), name


def test_the_mounting_sends_chip_axes_where_they_belong(drive):
    with drive(motion(6.0), Conditions(mounting="x=+Z,y=+X,z=+Y")) as capture:
        analysis = analyse_capture(capture)
        turned = analyse_capture(capture, mounting="x=+X,y=+Y,z=+Z")
    assert analysis.whole["jerk_x"] == pytest.approx(turned.whole["jerk_z"])
    assert analysis.whole["acceleration_y"] == pytest.approx(turned.whole["acceleration_x"])
    assert analysis.whole["acceleration_z"] == pytest.approx(turned.whole["acceleration_y"])
    assert turned.whole["acceleration_z"] > 10 * turned.whole["acceleration_x"]


def test_gravity_at_rest_gives_the_axes(drive):
    # A box on its side: chip y up. It stands for 2 s, then drives.
    counts = motion(8.0)[:, [0, 2, 1, 3, 4, 5]]
    counts[:8000, 1] = 2048
    with drive(counts, Conditions(mounting="x=+X,z=gravity")) as capture:
        by_gravity = analyse_capture(capture)
        declared = analyse_capture(capture, mounting="x=+X,y=-Z,z=+Y")
    assert by_gravity.whole["jerk_z"] == pytest.approx(declared.whole["jerk_z"], rel=1e-3)
    assert by_gravity.whole["jerk_y"] == pytest.approx(declared.whole["jerk_y"], rel=0.02)


def test_gravity_is_not_guessed_from_a_moving_box(drive):
    with drive(motion(6.0)) as capture, pytest.raises(AnalysisError, match="not at rest"):
        analyse_capture(capture, mounting="x=+X,z=gravity")


def test_no_mounting_and_a_left_handed_one_are_refused(drive):
    with drive(motion(6.0), Conditions()) as capture:
        with pytest.raises(AnalysisError, match="does not say how the box was mounted"):
            analyse_capture(capture)
        with pytest.raises(AnalysisError, match="left-handed"):
            analyse_capture(capture, mounting="x=+X,y=+Y,z=-Z")


def test_a_mounting_of_the_capture_that_cannot_be_names_file_and_repair(drive):
    with drive(motion(6.0), Conditions(mounting="x=+X,y=+X,z=+Z")) as capture:
        with pytest.raises(AnalysisError, match="one chip axis twice") as refused:
            analyse_capture(capture)
        assert str(refused.value).startswith(f"{capture.path}: mounting ")
        assert f"'towertap correct {capture.path} --mounting x=" in str(refused.value)


def test_no_window_reaches_over_a_gap_and_time_counts_what_is_missing(drive):
    # 12 s with one frame lost at 6 s: each side gives the windows that fit after settling, and none covers the gap.
    with drive(motion(12.0), lost={750}) as capture:
        analysis = analyse_capture(capture)
        gap_s = 749 * WATERMARK / capture.rate_hz
    by_piece = analysis.windows.groupby("piece")["start_s"]
    assert by_piece.size().to_dict() == {0: 2, 1: 2}
    assert by_piece.max()[0] + 1.0 <= gap_s
    assert by_piece.min()[1] == pytest.approx(gap_s + WATERMARK / capture.rate_hz + analysis.settling_s)


def test_the_other_side_of_a_gap_changes_nothing(drive):
    quiet, loud = motion(12.0), motion(12.0)
    loud[24_000:] = motion(6.0, seed=9) * 3
    tables = []
    for name, counts in (("quiet", quiet), ("loud", loud)):
        with drive(counts, lost={750}, name=name) as capture:
            tables.append(analyse_capture(capture).windows.query("piece == 0"))
    pd.testing.assert_frame_equal(*tables, check_exact=True)
    assert len(tables[0]) == 2


def test_a_capture_too_short_to_settle_is_one_line(drive):
    with drive(motion(2.0)) as capture, pytest.raises(AnalysisError, match=r"longest is 2\.00 s.*record longer"):
        analyse_capture(capture)


def test_what_the_rate_cannot_carry_is_left_out_with_the_reason(by_hand, make_capture):
    path = make_capture(by_hand.recording(rate_hz=1000.0, counts=motion(8.0)), "slow", STRAIGHT)
    with open_capture(path) as capture:
        analysis = analyse_capture(capture)
        with pytest.raises(AnalysisError, match="no metric is left"):
            analyse_capture(capture, metrics=["structure_borne_z"])
    assert set(analysis.left_out) == {"structure_borne_z"}
    assert "needs a rate of 1250 Hz or more" in analysis.left_out["structure_borne_z"]
    assert "structure_borne_z" not in analysis.windows
    assert "structure_borne_z" not in analysis.whole
    assert analysis.bands_hz["acceleration_z"][1] == pytest.approx(400.0, rel=1e-3)


def test_fewer_metrics_settle_sooner(drive):
    with drive(motion(3.0)) as capture:
        analysis = analyse_capture(capture, metrics=["jerk_z"], window_s=0.5, jerk_edge_hz=50.0)
    assert list(analysis.windows) == ["piece", "start_s", "jerk_z"]
    assert analysis.settling_s < 1.0
    assert analysis.bands_hz == {"jerk_z": (0.0, 50.0)}


@pytest.mark.parametrize(
    "options",
    [
        {"window_s": 0.0},
        {"window_s": float("nan")},
        {"window_s": 3600.0},
        {"jerk_edge_hz": 1.0},
        {"metrics": ["loudness"]},
    ],
)
def test_options_out_of_range_are_refused(drive, options):
    with drive(motion(6.0)) as capture, pytest.raises(CallError):
        analyse_capture(capture, **options)


def test_saved_tables_hold_the_windows_and_their_units(drive, tmp_path):
    with drive(motion(6.0)) as capture:
        analysis = analyse_capture(capture)
    write_windows(analysis, tmp_path / "table.csv")
    back = pd.read_csv(tmp_path / "table.csv", comment="#")
    pd.testing.assert_frame_equal(back, analysis.windows, rtol=1e-6, check_dtype=False)
    text = (tmp_path / "table.csv").read_text(encoding="utf-8")
    assert "# jerk_z: vertical jerk, m/s³, 0 to 100 Hz; noise 0." in text
    share = analysis.noise["jerk_y"].share  # of white noise of 0.05 m/s² r.m.s., the data sheet's 70 µg/√Hz: 0.38
    assert share == pytest.approx(0.38, abs=0.1)
    assert f"# jerk_y: lateral jerk, m/s³, 0 to 100 Hz; noise {100 * share:.1f} %, marked" in text
