"""The sensor behind a comparison: noise that drowns a finding, bands above the mounting's limit, missing records."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from towertap.bench.carried import BenchSummary
from towertap.bench.sharing import Share
from towertap.compare.comparison import compare
from towertap.compare.drives.model import metric_of
from towertap.compare.findings.find import find
from towertap.compare.findings.instrument import cautions, engine_share, largest_share
from towertap.compare.road.places import PassValue
from towertap.words.phrases import sentence_case

SERIAL = "e6605481"
KNOWN = BenchSummary(
    SERIAL,
    dict.fromkeys(("noise", "calibration", "tap", "selftest", "idle"), "words"),
    dict.fromkeys(("noise", "calibration", "tap", "selftest", "idle"), "2026-03-14T10:00:00+00:00"),
    (0.001, 0.002, 0.003),
    113.0,
    True,
)


@pytest.fixture
def judge(make):
    """A function from drives to the finding of their jerk over whole passes."""

    def judge(drives):
        _, (finding,) = find(make.on_whole_passes(drives), None)
        return finding

    return judge


def with_floor(drives, floor, **more):
    """The drives, with a sensor whose noise alone gives a jerk of `floor`."""
    noise = {"jerk_z": Share("jerk_z", floor, "m/s³", 0.0, "clean")}
    return replace(drives, passes=tuple(replace(drive, noise=noise, **more) for drive in drives.passes))


def noisy(make, drives, floor):
    """The drives as such a sensor measures them: powers of independent signals add."""

    levels = [make.levels_of(drive) for drive in drives.passes]
    passes = (
        make.of_cells(drive, of_pass | {"jerk_z": np.hypot(of_pass["jerk_z"], floor)})
        for drive, of_pass in zip(drives.passes, levels, strict=True)
    )
    return with_floor(replace(drives, passes=tuple(passes)), floor)


def of_smallest_pass(finding):
    return min(value.value for value in (*finding.before_values, *finding.after_values))


@pytest.mark.parametrize(
    ("part", "judged", "verdict"),
    [
        (0.09, "clean", "harsher"),
        (0.11, "marked", "harsher"),
        (0.49, "marked", "harsher"),
        (0.51, "not judged", "undecided"),
    ],
)
def test_noise_above_a_tenth_gets_a_caution_and_above_half_is_not_judged(make, judge, part, judged, verdict):
    """The share is of the value that the finding rests on, in the pass where it is largest."""
    drives = make.invented(3, ratio=1.5)
    bare = judge(drives)
    finding = judge(with_floor(drives, part**0.5 * of_smallest_pass(bare)))
    assert (bare.noise, bare.verdict) == (None, "harsher")
    assert finding.noise.share == pytest.approx(part)
    assert (finding.noise.judged, finding.verdict) == (judged, verdict)
    assert any("is the sensor's own noise (limit 10 %)" in caution.words for caution in finding.cautions) == (
        judged == "marked"
    )
    assert ("It is not judged" in finding.words) == (judged == "not judged")
    assert finding.passes_needed is None
    assert finding.p_difference_holm == bare.p_difference_holm


def test_passes_needed_are_counted_at_the_margin_of_the_measured_ratio(make, judge):
    """Two fifths of the power are noise: a change by the margin of 10 % shows as √(0.4 + 0.6 · 1.21), about 6 %."""
    drives = next(
        drives
        for seed in range(40)
        if (needed := judge(drives := make.invented(seed, ratio=1.06, n=(3, 3))).passes_needed) and needed < 12
    )
    bare = judge(drives)
    finding = judge(with_floor(drives, 0.4**0.5 * of_smallest_pass(bare)))
    assert finding.on_these_drives == "undecided"
    assert finding.passes_needed > 1.5 * bare.passes_needed


def test_noise_pulls_the_ratio_to_1_so_that_equivalence_would_be_false(make, judge):
    """A true change of 30 % under a sensor of twice the road's level: (4 + 1.69) / (4 + 1), root 1.067, by powers."""
    drives = make.invented(5, ratio=1.3, n=(6, 6), pass_spread=0.01)
    clear = judge(drives)
    drowned = noisy(make, drives, 2 * clear.before)
    finding = judge(drowned)
    quiet = SimpleNamespace(measured_utc={"idle": "2026-05-04T09:00:00+00:00"})  # an inaudible engine
    believed = judge(replace(drowned, passes=tuple(replace(drive, noise={}, bench=quiet) for drive in drowned.passes)))
    assert clear.on_these_drives == "harsher"
    assert believed.on_these_drives == "equivalent"
    assert finding.ratio < 1.10 < clear.ratio
    assert (finding.on_these_drives, finding.verdict) == ("undecided", "undecided")
    assert "more passes cannot" in finding.words


def test_a_band_above_the_mounting_limit_gets_one_caution(make, judge):
    reason = "jerk_z reaches 100 Hz, and the mounting is good to 90 Hz (a third of its resonance)"
    finding = judge(with_floor(make.invented(3), 0.1, beyond={"jerk_z": reason}))
    assert [caution.words for caution in finding.cautions if "the mounting resonates" in caution.words] == [
        f"{sentence_case(reason)}; above that the mounting resonates."
    ]


def cautions_with(*records):
    """The cautions for sixteen captures with these records in turn."""
    return [
        caution.words
        for caution in cautions({f"drive-{number:02d}": records[number % len(records)] for number in range(16)})
    ]


def test_complete_records_give_no_caution():
    assert cautions_with(KNOWN) == []


def test_missing_records_are_reported_together():
    without = replace(KNOWN, measured_utc=KNOWN.measured_utc | {"noise": None, "tap": None})
    (words,) = cautions_with(without)
    assert words.startswith("Missing for all 16 captures: bench records of noise and tap. ")
    (words,) = cautions_with(KNOWN, without)
    assert words.startswith("Missing for 8 of 16 captures: ")


def test_boxes_and_calibrations_that_differ_get_a_caution():
    """GUM F.1.2.3: a scale common to both cancels from a ratio, two scales do not."""
    (words,) = cautions_with(KNOWN, replace(KNOWN, serial="e6600000"))
    assert "of 2 boxes (e6600000, e6605481)" in words
    assert "±0.3 % each" in words
    later = replace(KNOWN, measured_utc=KNOWN.measured_utc | {"calibration": "2026-04-01T10:00:00+00:00"})
    (words,) = cautions_with(KNOWN, later)
    assert "Calibrations differ" in words


def test_a_chip_that_failed_its_self_test_is_named():
    failed = replace(KNOWN, selftest_ok=False, words=KNOWN.words | {"selftest": "selftest record a.json: wrong on x"})
    cautions = cautions_with(failed)
    assert len(cautions) == 16
    assert cautions[0] == "drive-00: selftest record a.json: wrong on x"


def test_a_comparison_reports_its_captures_bench_records(make):
    drives = make.driven(1)
    without = replace(KNOWN, measured_utc=KNOWN.measured_utc | {"noise": None})
    comparison = compare(
        replace(drives, passes=tuple(replace(drive, bench=without) for drive in drives.passes)), metrics=["jerk_z"]
    )
    assert comparison.data()["bench"][drives.passes[0].name] == without
    assert any(
        caution.words.startswith("Missing for all 16 captures: bench records of noise.")
        for caution in comparison.cautions
    )


def test_a_statement_about_the_part_that_hangs_on_the_engine_says_so(make):
    """Three installations of each part. Its p is below 0.05, but two margins may be right: undecided."""
    drives = make.invented(2, ratio=1.05, pass_spread=0.003, seconds=150, n=(6, 6), roads={"quarry-lane": 22.0})
    in_turn = []
    for drive in drives.passes:
        pair = (drive.conditions.pass_number - 1) // 2
        minutes = 60 * (2 * pair + (drive.side == "after")) + drive.conditions.pass_number
        in_turn.append(replace(drive, started=datetime(2026, 5, 4, 9, tzinfo=UTC) + timedelta(minutes=minutes)))
    _, (finding,) = find(make.on_whole_passes(replace(drives, passes=tuple(in_turn))), None)
    assert (finding.noise.of, finding.on_these_drives, finding.verdict) == ("unrecorded", "equivalent", "undecided")
    assert finding.part.p_difference_holm < 0.05
    assert any(caution.words.startswith("The engine was not recorded idling") for caution in finding.cautions)


@pytest.mark.parametrize("metric", ["vdv_z", "mtvv_z"])
def test_an_engine_on_the_smooth_road_does_not_drown_a_dose_or_a_peak_on_a_rough_one(make, metric):
    """They are no r.m.s., so each pass keeps its own share. An unrecorded engine is bounded as always."""
    own = {"bypass": Share(metric, 0.05, "", 0.7, "not judged", "idle"), "lane": Share(metric, 0.05, "", 0.02, "clean")}
    levels = {"bypass": 4.0, "lane": 8.0}

    def of_one_cell(metric, level):
        """What is kept if all of a dose, or the peak, is in one cell: the fourth power of a dose."""
        return np.array([[level ** (4 if metric == "vdv_z" else 1)]])

    passes = [
        replace(drive, noise={metric: own[drive.road]}, kept={metric: of_one_cell(metric, levels[drive.road])})
        for drive in make.driven(1).passes
    ]

    def largest(passes):
        rough = [drive for drive in passes if drive.road == "lane"]
        values = [PassValue(drive.name, 1, 9, 9, 8.0, 8.0) for drive in rough]
        return largest_share(rough, values, metric, engine_share(passes, metric_of(metric)))

    assert largest(passes) == own["lane"]
    unknown = largest([replace(drive, noise={}) for drive in passes])
    assert (unknown.of, unknown.share) == ("unrecorded", pytest.approx((4 / 8) ** 2))
