"""The demo finds the stiffer bush, finds nothing if nothing changed, and overwrites nothing."""

import h5py
import numpy as np
import pytest
from towertap.demo import run
from towertap.demo.run import AFTER, BEFORE, REFITTED, run_demo
from towertap.errors import CallError

from tests.by_hand import plain_counts


@pytest.fixture(scope="module")
def unchanged(tmp_path_factory):
    """The demo with nothing changed, with short passes and without a report."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "write_report", lambda comparison, folder, *_: folder / "report.html")
        return run_demo(tmp_path_factory.mktemp("demo") / "out", unchanged=True, passes=4, seconds=14.0)


@pytest.mark.parametrize(("mode", "seconds"), [("demo", 20), ("unchanged", 14)])
def test_every_pass_is_recorded_completely_and_sound(request, mode, seconds):
    result = request.getfixturevalue(mode)
    assert len(result.integrity) == 3 * 2 * 4
    for path, integrity in result.integrity.items():
        assert integrity.sound, integrity.reasons
        assert integrity.samples == seconds * 4000
        assert integrity.missing_samples == 0
        assert integrity.gravity_ms2 == pytest.approx(9.80665, abs=0.05)  # seen in the second at rest
        # The simulated oscillator is 8200 ppm fast, the box's crystal 14 ppm slow.
        assert integrity.rate_ppm == pytest.approx(((1 + 8200e-6) / (1 - 14e-6) - 1) * 1e6, abs=1.0)
        with h5py.File(path) as file:
            assert (
                np.abs(np.mean(plain_counts(file, "acceleration")[:, 2]) / 2048 - 1) < 0.01
            )  # 2048 counts a g, data sheet


def test_the_stiffer_bush_is_harsher(demo):
    assert demo.as_expected
    assert (demo.comparison.drives.before, demo.comparison.drives.after) == (BEFORE, AFTER)
    jerk = {finding.road: finding.verdict for finding in demo.comparison if finding.metric == "jerk_z"}
    assert jerk == {"quarry-lane": "harsher", "moor-road": "harsher"}


def test_the_same_bush_refitted_is_not_harsher(unchanged):
    assert unchanged.as_expected
    assert unchanged.comparison.drives.after == REFITTED
    assert {finding.road for finding in unchanged.comparison} == {"quarry-lane", "moor-road"}
    assert not {"harsher", "gentler"} & {finding.verdict for finding in unchanged.comparison}


@pytest.mark.parametrize("mode", ["demo", "unchanged"])
def test_driven_in_blocks_as_planned(request, mode):
    """As for a user's drives: the plan is a file, and `compare` checks drives and analysis against it."""
    result = request.getfixturevalue(mode)
    assert (result.report.parent.parent / "plan.json").is_file()
    assert result.comparison.plan.design.count("|") == 1
    assert result.comparison.departures == ()
    assert not [caution for caution in result.comparison.cautions if "drift" in caution.words]


@pytest.mark.parametrize("mode", ["demo", "unchanged"])
def test_the_speed_logs_clock_is_found_from_the_captures(request, mode):
    """The demo's log is 2.4 s ahead (`write_speed_log`); found from captures of simulated box and chip."""
    roads = request.getfixturevalue(mode).comparison.evidence["speed"].data
    offsets = {drive.offset for road in roads for drive in road.passes}
    assert len(offsets) == 1
    (offset,) = offsets
    assert offset.source == "found"
    assert offset.seconds == pytest.approx(2.4, abs=0.3)
    assert {road.source for road in roads} == {"log"}


def test_the_report_has_speed_and_spectrograms_and_says_that_all_is_invented(demo):
    page = demo.report.read_text(encoding="utf-8")
    assert 'id="speed"' in page
    pictures = {path.name for path in (demo.report.parent / "pictures").iterdir()}
    assert {"speed_1.png", "thirds_1.png", "spectrogram_1.png", "spectrogram_2_1.png"} <= pictures
    assert "invented" in page
    assert demo.comparison.drives.after in page


def test_rough_roads_differ_from_the_smooth_one(demo):
    assert all(entry.distinct for entry in demo.comparison.evidence["smooth"].data["rough_against_smooth"])


def test_a_folder_that_is_not_empty_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(CallError, match="not an empty folder"):
        run_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_its_report_has_a_sound_for_each_pair_of_spectrograms(demo):
    """In separate files, each 19 s at 48 kHz and 16 bits; none is in the page."""
    sounds = sorted(path.name for path in demo.report.parent.glob("*.wav"))
    assert sounds == ["sound_1.wav", "sound_2.wav"]
    page = demo.report.read_text("utf-8")
    assert all(f'<audio controls preload="none" src="{name}"' in page for name in sounds)
    assert all(1.5e6 < (demo.report.parent / name).stat().st_size < 2e6 for name in sounds)
