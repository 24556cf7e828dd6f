"""Where in frequency a change lies: joint intervals against scipy and by simulation, a known filter found again."""

from __future__ import annotations

import json
import runpy
from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import signal, stats
from towertap.bench.sharing import Share
from towertap.compare.comparison import compare
from towertap.compare.places import CELL_S, find_places
from towertap.compare.thirds import joint_intervals, where_the_change_is
from towertap.signals import bands as signal_bands
from towertap.signals.channels import MetricSettings
from towertap.signals.metrics import THIRDS
from towertap.signals.stream import Bank

SIMULATION = SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("band_coverage.py"))))
RATE_HZ = 1000.0


def of(bands, metric):
    return next(one for one in (*bands.thirds, *bands.wide) if one.metric == metric)


def on_the_lane(drives):
    return where_the_change_is(drives, "lane", find_places(drives.of("lane")))


@pytest.fixture(scope="module")
def changed(make):
    """Drives of which some bands are known to have changed."""
    return SIMULATION.drives_with_bands(make, 3, SIMULATION.CHANGED)


@pytest.fixture(scope="module")
def found(changed):
    return on_the_lane(changed)


def test_the_interval_of_a_single_band_is_scipys():
    """scipy.stats.ttest_ind without equal variances is Welch's (1947); with one band there is nothing to share."""
    rng = np.random.default_rng(1)
    before, after = rng.normal(0, 0.03, (4, 1)), rng.normal(0.1, 0.05, (5, 1))
    ratio, low, high = joint_intervals(before, after)
    expected = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert np.log(ratio) == pytest.approx(after.mean() - before.mean())
    assert np.log([low, high]) == pytest.approx(np.array(expected))


def test_the_intervals_of_many_bands_are_never_narrower_than_scipys_with_bonferronis_part():
    rng = np.random.default_rng(2)
    before, after = rng.normal(0, 0.03, (4, 21)), rng.normal(0, 0.03, (4, 21))
    _, low, high = joint_intervals(before, after)
    alone = stats.ttest_ind(after, before, equal_var=False).confidence_interval(1 - 0.05 / 21)
    assert np.all(np.log(low) <= alone.low + 1e-12)
    assert np.all(np.log(high) >= alone.high - 1e-12)


@pytest.mark.parametrize(
    ("passes", "spreads"), [("4 + 4", "both alike"), ("4 + 4", "after 3 times"), ("2 + 6", "both alike")]
)
def test_all_intervals_hold_at_once_in_95_percent(passes, spreads):
    """1,000 sets, standard error 0.7 %; the script runs more of them."""
    how = SIMULATION.PASSES[passes], SIMULATION.SPREADS[spreads]
    ours, plain = SIMULATION.joint_coverage(1000, *how)
    assert ours >= 0.95 - 2 * 0.007
    if passes == "2 + 6":
        assert plain < 0.93  # what the bound on the degrees of freedom is for


@pytest.mark.parametrize("changed", [SIMULATION.CHANGED, {}], ids=["in four", "in none"])
def test_a_change_in_known_bands_is_located_there_and_nowhere_else(make, changed):
    """A true share of 95 % gives 18 of 20 or more in 92 % of runs (binomial); the script runs 2,000."""
    assert SIMULATION.right(SIMULATION.locate(make, range(20), changed), changed) >= 0.9


def test_the_ratios_are_the_ones_put_in(found):
    for one in found.thirds:
        true = SIMULATION.CHANGED.get(one.metric, 1.0)
        assert one.interval[0] <= true <= one.interval[1]
        assert one.ratio == pytest.approx(true, rel=0.1)
        assert one.after / one.before == pytest.approx(one.ratio)


def test_swapping_the_sides_inverts_every_ratio(make, changed, found):
    back = on_the_lane(make.swapped(changed))
    for there, again in zip(found.thirds, back.thirds, strict=True):
        assert again.ratio == pytest.approx(1 / there.ratio)
        assert again.interval == pytest.approx((1 / there.interval[1], 1 / there.interval[0]))
        assert again.shown == -there.shown


def test_the_words_say_where_and_merge_neighbours(found):
    most, low = of(found, "third_31.5_z"), of(found, "third_10_z")
    assert found.basis == "all places that every pass covers"
    assert found.words == (
        f"On lane: higher from 25 to 40 Hz (most at 31.5 Hz: × {most.ratio:.2f}, {most.interval[0]:.2f} to "
        f"{most.interval[1]:.2f}); lower at 10 Hz (× {low.ratio:.2f}, {low.interval[0]:.2f} to {low.interval[1]:.2f}); "
        "nothing is shown elsewhere."
    )


def test_nothing_shown_is_no_evidence_that_nothing_changed(make):
    bands = on_the_lane(SIMULATION.drives_with_bands(make, 5, {}))
    assert bands.words == "On lane: no band shows a change, which is no evidence that there is none."


def test_a_filter_of_known_gain_is_found_again_band_by_band(make):
    """White noise through a peaking filter (Bristow-Johnson's cookbook) of gain 1.6 at 31.5 Hz.

    Over each third-octave it changes the mean square by the mean of its power gain, weighted with that of the band's
    filter, which scipy gives: an answer without any drive.
    """
    gain, q, w = 1.6, 1.5, 2 * np.pi * 31.5 / RATE_HZ
    root, alpha = np.sqrt(gain), np.sin(w) / (2 * q)
    b = np.array([1 + alpha * root, -2 * np.cos(w), 1 - alpha * root])
    a = np.array([1 + alpha / root, -2 * np.cos(w), 1 - alpha / root])
    f_hz = np.arange(0.05, RATE_HZ / 2, 0.05)
    power = np.abs(signal.freqz(b, a, f_hz, fs=RATE_HZ)[1]) ** 2
    bank, rng = Bank.of(THIRDS, MetricSettings(RATE_HZ)), np.random.default_rng(4)
    filters = {
        name: signal_bands.design(metric.band_hz(bank.settings), RATE_HZ) for name, metric in bank.metrics.items()
    }

    def one_pass(side, number):
        noise = rng.standard_normal(int(60 * RATE_HZ))
        felt = signal.lfilter(b, a, noise) if side == "after" else noise
        windows = bank.windows([np.tile(felt, (3, 1))], round(CELL_S * RATE_HZ))
        cells = pd.DataFrame({name: THIRDS[name].of_windows(kept) for name, kept in windows.kept.items()})
        return replace(make.one_pass({"jerk_z": [1.0]}, side, "lane", number), cells=cells)

    passes = [one_pass(side, number) for side in ("before", "after") for number in range(1, 6)]
    bands = where_the_change_is(make.drives_of(passes), "lane", None)
    for one in bands.thirds:
        through = np.abs(signal.sosfreqz(filters[one.metric].sos, f_hz, fs=RATE_HZ)[1]) ** 2
        expected = np.sqrt((power * through).sum() / through.sum())
        assert one.interval[0] <= expected <= one.interval[1]
        assert one.shown >= (expected > 1.25)
        assert one.shown == 0 or expected > 1.02
    assert bands.basis == "whole passes"
    assert "most at 31.5 Hz" in bands.words


def test_one_pass_a_side_tells_nothing(changed):
    few = replace(
        changed, passes=tuple(one for one in changed.passes if one.conditions.pass_number == 1 or one.side == "after")
    )
    bands = on_the_lane(few)
    assert bands.passes == (1, 4)
    assert all(one.interval is None and one.shown == 0 for one in bands.thirds)
    assert "no band is told from chance: a side has one pass" in bands.words


def test_copies_of_a_pass_tell_nothing(changed):
    first = changed.of("lane", "before")[0]
    after = [replace(one, cells=first.cells) for one in changed.of("lane", "after")]
    copies = [replace(one, cells=first.cells) for one in changed.of("lane", "before")]
    bands = where_the_change_is(replace(changed, passes=(*copies, *after)), "lane", None)
    assert "copies of one another" in bands.words


def test_noise_that_drowns_one_side_alone_hides_no_change(changed):
    """It pulls the ratio towards 1: 0.9² of the power or so before, and a quarter of that after at twice the level."""
    level = min(one.cells["third_31.5_z"].mean() for one in changed.of("lane", "before"))
    noise = {"third_31.5_z": Share("third_31.5_z", 0.95 * level, "m/s²", 0.0, "clean")}
    band = of(on_the_lane(replace(changed, passes=tuple(replace(one, noise=noise) for one in changed.passes))), *noise)
    assert band.noise_share > 0.5
    assert (band.judged, band.shown) == ("marked", 1)


def test_bands_are_held_by_block_where_the_plan_pairs_the_parts():
    """A drift from block to block cancels with a pass missing too: additive data give the part's effect exactly."""
    blocks = [1, 1, 2, 2], [1, 1, 2]
    drift = np.array([0.0, 0.2])
    rng = np.random.default_rng(3)
    before = drift[np.array(blocks[0]) - 1, None] + 1e-3 * rng.standard_normal((4, 3))
    after = 0.1 + drift[np.array(blocks[1]) - 1, None] + 1e-3 * rng.standard_normal((3, 3))
    ratios, lows, highs = joint_intervals(before, after, blocks)
    assert ratios == pytest.approx(np.exp(0.1), abs=3e-3)
    assert np.all((lows < np.exp(0.1)) & (np.exp(0.1) < highs) & (highs - lows < 0.02))
    plain, _, _ = joint_intervals(before, after)
    assert np.all(np.abs(plain - np.exp(0.1)) > 0.02)


def test_a_band_that_the_sensor_drowns_is_not_judged_and_a_marked_one_is_named(changed):
    """0.8² of the power is more than half of it, 0.5² a quarter."""
    level = {name: one.cells[name].mean() for one in changed.of("lane", "before")[:1] for name in THIRDS}
    floors = {"third_10_z": 2.0 * level["third_10_z"], "third_31.5_z": 0.5 * level["third_31.5_z"]}
    noise = {name: Share(name, floor, "m/s²", 0.0, "clean") for name, floor in floors.items()}
    beyond = {name: f"{name} reaches too far" for name in ("third_400_z", "third_500_z")}
    noisy = replace(changed, passes=tuple(replace(one, noise=noise, beyond=beyond) for one in changed.passes))
    bands = on_the_lane(noisy)
    assert (of(bands, "third_10_z").judged, of(bands, "third_10_z").shown) == ("not judged", 0)
    assert of(bands, "third_31.5_z").judged == "marked"
    assert of(bands, "third_20_z").judged is None
    assert of(bands, "third_500_z").beyond == "third_500_z reaches too far"
    for words in (
        "is the sensor's own noise: 10 Hz.",
        "a tenth or more of the power is the sensor's own noise on a side: 31.5 Hz.",
        "Beyond what the mounting carries: 400 to 500 Hz.",
    ):
        assert words in bands.words


def test_a_band_with_nothing_in_it_is_left_out(changed):
    lane = next(one for one in changed.passes if one.road == "lane")
    silent = replace(lane, cells=lane.cells.assign(third_5_z=0.0))
    bands = on_the_lane(replace(changed, passes=tuple(silent if one is lane else one for one in changed.passes)))
    assert bands.left_out == ("5 Hz",)
    assert len(bands.thirds) == len(THIRDS) - 1


def test_the_comparison_carries_them_beside_its_findings(changed, found):
    comparison = compare(changed, metrics=["jerk_z"])
    assert comparison.bands == (found,)
    assert len(comparison.findings) == 1  # no band joins the family of verdicts
    assert json.loads(json.dumps(asdict(comparison.bands[0])))["thirds"][0]["metric"] == "third_5_z"


def test_drives_without_third_octaves_have_no_bands(make):
    assert compare(make.invented(1), metrics=["jerk_z"], gate="windows").bands == ()
