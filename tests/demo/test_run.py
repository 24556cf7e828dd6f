"""The demo's own claims: it finds the stiffer bush, finds nothing where nothing changed, and overwrites nothing."""

import h5py
import numpy as np
import pytest
from towertap.demo.run import AFTER, BEFORE, REFITTED, run_demo
from towertap.errors import CallError


def verdicts(result):
    return {(finding.road, finding.metric): finding.verdict for finding in result.comparison.findings}


@pytest.fixture(scope="module", params=[False, True], ids=["changed", "unchanged"])
def result(request, tmp_path_factory):
    """Both modes of the demo with half its driving."""
    out = tmp_path_factory.mktemp("demo") / "out"
    return run_demo(out, unchanged=request.param, passes=4, seconds=10.0)


def test_every_pass_is_recorded_whole_and_sound(result):
    assert len(result.integrity) == 3 * 2 * 4
    for path, integrity in result.integrity.items():
        assert integrity.sound, integrity.reasons
        assert integrity.samples == 10 * 4000
        assert integrity.missing_samples == 0
        assert integrity.gravity_ms2 == pytest.approx(9.80665, abs=0.05)  # seen in the second at rest
        # The simulated oscillator is 8200 ppm fast, the box's crystal 14 ppm slow.
        assert integrity.rate_ppm == pytest.approx(((1 + 8200e-6) / (1 - 14e-6) - 1) * 1e6, abs=1.0)
        with h5py.File(path) as file:
            assert np.abs(np.mean(file["acceleration"][:, 2]) / 2048 - 1) < 0.01  # 2048 counts a g, data sheet


def test_the_stiffer_bush_is_harsher_and_the_same_bush_is_not(result):
    assert result.as_it_ought
    assert {finding.road for finding in result.comparison.findings} == {"quarry-lane", "moor-road"}
    if result.unchanged:
        assert result.comparison.after == REFITTED
        assert not {"harsher", "gentler"} & set(verdicts(result).values())
    else:
        assert (result.comparison.before, result.comparison.after) == (BEFORE, AFTER)
        assert verdicts(result)["quarry-lane", "jerk_z"] == "harsher"
        assert verdicts(result)["moor-road", "jerk_z"] == "harsher"


def test_driven_in_blocks_as_planned(result):
    """As for a user's own drives: the plan is a file, and `compare` holds drives and analysis against it."""
    assert (result.report.parent.parent / "plan.json").is_file()
    assert result.comparison.plan.blocks == 2
    assert result.comparison.departures == ()
    assert not [warning for warning in result.comparison.warnings if "drift" in warning]


def test_the_speed_logs_clock_is_found_from_the_captures(result):
    """The demo's log is 2.4 s ahead (`write_speed_log`); found through firmware, chip model and recording."""
    roads = result.comparison.evidence["speed"].data
    offsets = {drive.offset for road in roads for drive in road.passes}
    assert len(offsets) == 1
    (offset,) = offsets
    assert offset.source == "found"
    assert offset.seconds == pytest.approx(2.4, abs=0.3)
    assert {road.source for road in roads} == {"log"}


def test_the_report_has_speed_and_spectrograms(result):
    page = result.report.read_text(encoding="utf-8")
    assert 'id="speed"' in page
    assert {"speed.png", "thirds.png", "spectrogram_1.png"} <= {path.name for path in result.report.parent.iterdir()}


def test_the_rough_roads_are_told_from_the_smooth_one(result):
    assert all(entry.distinct for entry in result.comparison.evidence["smooth"].data["rough_against_smooth"])


def test_the_report_says_that_all_is_invented(result):
    page = result.report.read_text(encoding="utf-8")
    assert "invented" in page
    assert result.comparison.after in page


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(CallError, match="not empty"):
        run_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]
