"""The sensor behind a comparison: noise that drowns a finding, bands beyond the mounting, records that are missing."""

from dataclasses import asdict, replace

import numpy as np
import pytest
from towertap.bench.carried import BenchSummary
from towertap.bench.sharing import Share
from towertap.compare.comparison import compare

SERIAL = "e6605481"
TOLD = BenchSummary(
    SERIAL,
    dict.fromkeys(("noise", "calibration", "tap", "selftest"), "words"),
    dict.fromkeys(("noise", "calibration", "tap", "selftest"), "2026-03-14T10:00:00+00:00"),
    (0.001, 0.002, 0.003),
    113.0,
    True,
)


def judge(drives):
    """The comparison of the jerk by windows, of which these drives are made."""
    return compare(drives, metrics=["jerk_z"], gate="windows")


def with_floor(drives, floor, **more):
    """The drives, recorded with a sensor whose noise alone makes `floor` of the jerk."""
    noise = {"jerk_z": Share("jerk_z", floor, "m/s³", 0.0, "clean")}
    return replace(drives, passes=tuple(replace(one, noise=noise, **more) for one in drives.passes))


def noisy(drives, floor):
    """The drives as such a sensor shows them: powers of independent signals add."""

    def shown(table):
        return table.assign(jerk_z=np.hypot(table["jerk_z"], floor))

    passes = (replace(one, windows=shown(one.windows), cells=shown(one.cells)) for one in drives.passes)
    return with_floor(replace(drives, passes=tuple(passes)), floor)


def of_smallest_pass(finding):
    return min(value.figure for value in (*finding.before_values, *finding.after_values))


@pytest.mark.parametrize(
    ("part", "judged", "verdict"),
    [
        (0.09, "clean", "harsher"),
        (0.11, "marked", "harsher"),
        (0.49, "marked", "harsher"),
        (0.51, "not judged", "undecided"),
    ],
)
def test_more_than_a_tenth_is_cautioned_and_more_than_half_is_not_judged(make, part, judged, verdict):
    """The share is that of the figure that the finding rests on, in the pass where it is largest."""
    drives = make.invented(3, ratio=1.5)
    (bare,) = judge(drives)
    (finding,) = judge(with_floor(drives, part**0.5 * of_smallest_pass(bare)))
    assert (bare.noise, bare.verdict) == (None, "harsher")
    assert finding.noise.share == pytest.approx(part)
    assert (finding.noise.judged, finding.verdict) == (judged, verdict)
    assert any("is the sensor's own noise (limit 10 %)" in caution for caution in finding.cautions) == (
        judged == "marked"
    )
    assert ("drowns" in finding.words) == (judged == "not judged")
    assert finding.passes_needed is None
    assert finding.p_difference_holm == bare.p_difference_holm


def test_noise_pulls_the_ratio_to_1_so_that_equivalence_would_lie(make):
    """A true change of 30 % under a sensor of twice the road's level: (4 + 1.69) / (4 + 1), root 1.067, by powers."""
    drives = make.invented(5, ratio=1.3, n=(6, 6), pass_spread=0.01)
    (clear,) = judge(drives)
    drowned = noisy(drives, 2 * clear.before)
    (finding,) = judge(drowned)
    (believed,) = judge(replace(drowned, passes=tuple(replace(one, noise={}) for one in drowned.passes)))
    assert clear.verdict == "harsher"
    assert believed.verdict == "equivalent"
    assert finding.ratio < 1.10 < clear.ratio
    assert finding.verdict == "undecided"
    assert "more passes cannot" in finding.words


def test_a_band_beyond_the_mounting_is_cautioned_once(make):
    reason = "jerk_z reaches 100 Hz, and the mounting is good to 90 Hz (a third of its resonance)"
    (finding,) = judge(with_floor(make.invented(3), 0.1, beyond={"jerk_z": reason}))
    assert [caution for caution in finding.cautions if reason in caution] == [
        f"quarry-lane: {reason}; above that the mounting rings along."
    ]


def warnings_with(make, *told):
    """What is warned of the instrument of drives whose captures have these records in turn."""
    drives = make.invented(3, ratio=1.5)
    passes = (replace(one, bench=told[i % len(told)]) for i, one in enumerate(drives.passes))
    comparison = judge(replace(drives, passes=tuple(passes)))
    assert comparison.data()["bench"][drives.passes[0].name] == asdict(told[0])
    return tuple(one for one in comparison.warnings if "knocks" not in one and "as they were fitted" not in one)


def test_all_records_there_warn_of_nothing(make):
    assert warnings_with(make, TOLD) == ()


def test_missing_records_are_told_together(make):
    without = replace(TOLD, measured_utc=TOLD.measured_utc | {"noise": None, "tap": None})
    (warning,) = warnings_with(make, without)
    assert warning.startswith("no bench record of noise and tap holds for 16 of 16 captures: make them with")
    (warning,) = warnings_with(make, TOLD, without)
    assert "noise and tap holds for 8 of 16 captures" in warning


def test_what_a_ratio_within_one_box_does_not_have_is_told(make):
    """GUM F.1.2.3: a scale common to both cancels from a ratio, two scales do not."""
    (warning,) = warnings_with(make, TOLD, replace(TOLD, serial="e6600000"))
    assert "of 2 boxes (e6600000, e6605481)" in warning
    assert "±0.3 % each" in warning
    later = replace(TOLD, measured_utc=TOLD.measured_utc | {"calibration": "2026-04-01T10:00:00+00:00"})
    (warning,) = warnings_with(make, TOLD, later)
    assert "different calibrations" in warning


def test_a_chip_that_failed_its_own_test_is_named(make):
    failed = replace(TOLD, selftest_ok=False, words=TOLD.words | {"selftest": "selftest record a.json: wrong on x"})
    warnings = warnings_with(make, failed)
    assert len(warnings) == 16
    assert warnings[0].endswith(": selftest record a.json: wrong on x")
