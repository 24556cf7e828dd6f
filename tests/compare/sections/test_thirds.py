"""Where in frequency a change lies: known bands by simulation, a known filter, and the wording."""

from __future__ import annotations

import json
from dataclasses import asdict, replace

import numpy as np
import pytest
from scipy import signal
from towertap.bench.sharing import Share
from towertap.compare.comparison import compare
from towertap.compare.drives.model import CELL_S
from towertap.compare.road.places import find_places
from towertap.compare.sections.thirds import figure, spectrogram
from towertap.compare.sections.thirds.bands import where_the_change_is
from towertap.compare.sections.thirds.by_place import ByPlace, at_one_place, blank, by_place
from towertap.signals import bands as signal_bands
from towertap.signals.channels import MetricSettings
from towertap.signals.metrics import THIRDS
from towertap.signals.stream import Bank
from towertap.words.numbers import change_percent

from tests.compare import band_coverage

RATE_HZ = 1000.0


def of(bands, metric):
    return next(band for band in (*bands.thirds, *bands.wide) if band.metric == metric)


@pytest.fixture(scope="module")
def on_the_lane(make):
    """A function from drives to the bands of their rough road."""
    return lambda drives, **options: where_the_change_is(make.one_road(drives, "lane", **options))


@pytest.fixture(scope="module")
def changed(make):
    """Drives in which some bands are known to have changed."""
    return band_coverage.drives_with_bands(make, 3, band_coverage.CHANGED)


@pytest.fixture(scope="module")
def bands(changed, on_the_lane):
    return on_the_lane(changed)


@pytest.mark.parametrize("changed", [band_coverage.CHANGED, {}], ids=["in four", "in none"])
def test_a_change_in_known_bands_is_located_there_and_nowhere_else(make, changed):
    """A true share of 95 % gives at least 8 of 10 in 99 % of runs (binomial); the script runs 2,000."""
    assert band_coverage.right(band_coverage.locate(make, range(10), changed), changed) >= 0.8


def test_the_ratios_are_the_ones_put_in(bands):
    for band in bands.thirds:
        true = band_coverage.CHANGED.get(band.metric, 1.0)
        assert band.interval[0] <= true <= band.interval[1]
        assert band.ratio == pytest.approx(true, rel=0.1)
        assert band.after / band.before == pytest.approx(band.ratio)


def test_swapping_the_sides_inverts_every_ratio(make, changed, bands, on_the_lane):
    back = on_the_lane(make.swapped(changed))
    for there, again in zip(bands.thirds, back.thirds, strict=True):
        assert again.ratio == pytest.approx(1 / there.ratio)
        assert again.interval == pytest.approx((1 / there.interval[1], 1 / there.interval[0]))
        assert again.shown == -there.shown


def test_the_words_say_where_the_largest_change_is_and_merge_neighbours(bands):
    most = of(bands, "third_31.5_z")
    assert bands.basis == "all places that every pass covers"
    assert bands.words == (
        f"lane: {change_percent(most.ratio, most.interval)} at 31.5 Hz (changed throughout 25 to 40 Hz), "
        "and in 1 other range"
    )


def test_nothing_shown_is_never_called_no_change(make, on_the_lane):
    bands = on_the_lane(band_coverage.drives_with_bands(make, 5, {}))
    assert bands.words == "lane: no band shows a change"


def test_a_filter_of_known_gain_is_found_again_band_by_band(make, on_the_lane):
    """White noise through a peaking filter (Bristow-Johnson's cookbook) of gain 1.6 at 31.5 Hz.

    Over each third-octave the mean square changes by the mean power gain, weighted with the band's filter, both from
    scipy.
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
        kept = bank.windows([np.tile(felt, (3, 1))], round(CELL_S * RATE_HZ)).kept
        cells = make.cells_of({name: THIRDS[name].of_windows(of_metric) for name, of_metric in kept.items()})
        return make.of_cells(make.one_pass({"jerk_z": [1.0]}, side, "lane", number), cells)

    passes = [one_pass(side, number) for side in ("before", "after") for number in range(1, 6)]
    bands = on_the_lane(make.drives_of(passes), aligned=False)
    for band in bands.thirds:
        through = np.abs(signal.sosfreqz(filters[band.metric].sos, f_hz, fs=RATE_HZ)[1]) ** 2
        expected = np.sqrt((power * through).sum() / through.sum())
        assert band.interval[0] <= expected <= band.interval[1]
        assert band.shown >= (expected > 1.25)
        assert band.shown == 0 or expected > 1.02
    assert bands.basis == "whole passes"
    assert " at 31.5 Hz (changed throughout " in bands.words


def test_one_pass_per_side_shows_nothing(changed, on_the_lane):
    few = replace(
        changed,
        passes=tuple(drive for drive in changed.passes if drive.conditions.pass_number == 1 or drive.side == "after"),
    )
    bands = on_the_lane(few)
    assert bands.passes == (1, 4)
    assert all(band.interval is None and band.shown == 0 for band in bands.thirds)
    assert "nothing can be said about any band, because a side has one pass" in bands.words


def test_copies_of_a_pass_show_nothing(make, changed, on_the_lane):
    first = changed.of("lane", "before")[0]
    after = [make.of_cells(drive, make.levels_of(first)) for drive in changed.of("lane", "after")]
    copies = [make.of_cells(drive, make.levels_of(first)) for drive in changed.of("lane", "before")]
    bands = on_the_lane(replace(changed, passes=(*copies, *after)), aligned=False)
    assert "copies of one another" in bands.words


def test_noise_on_one_side_alone_hides_no_change(make, changed, on_the_lane):
    """It pulls the ratio towards 1: about 0.9² of the power before, and a quarter of that after at twice the level."""
    level = min(make.levels_of(drive)["third_31.5_z"].mean() for drive in changed.of("lane", "before"))
    noise = {"third_31.5_z": Share("third_31.5_z", 0.95 * level, "m/s²", 0.0, "clean")}
    band = of(
        on_the_lane(replace(changed, passes=tuple(replace(drive, noise=noise) for drive in changed.passes))), *noise
    )
    assert band.noise_share > 0.5
    assert (band.judged, band.shown) == ("marked", 1)


def test_a_band_of_mostly_sensor_noise_is_not_judged(make, changed, on_the_lane):
    """0.8² of the power is more than half of it, 0.5² a quarter."""
    level = {name: make.levels_of(changed.of("lane", "before")[0])[name].mean() for name in THIRDS}
    floors = {"third_10_z": 2.0 * level["third_10_z"], "third_31.5_z": 0.5 * level["third_31.5_z"]}
    noise = {name: Share(name, floor, "m/s²", 0.0, "clean") for name, floor in floors.items()}
    beyond = {name: f"{name} reaches too far" for name in ("third_400_z", "third_500_z")}
    noisy = replace(changed, passes=tuple(replace(drive, noise=noise, beyond=beyond) for drive in changed.passes))
    bands = on_the_lane(noisy)
    assert (of(bands, "third_10_z").judged, of(bands, "third_10_z").shown) == ("not judged", 0)
    assert of(bands, "third_31.5_z").judged == "marked"
    assert of(bands, "third_20_z").judged is None
    assert of(bands, "third_500_z").beyond == "third_500_z reaches too far"


def test_a_band_with_nothing_in_it_is_left_out(make, changed, on_the_lane):
    lane = next(drive for drive in changed.passes if drive.road == "lane")
    silent = make.of_cells(lane, make.levels_of(lane) | {"third_5_z": np.zeros(lane.n_cells)})
    bands = on_the_lane(replace(changed, passes=tuple(silent if drive is lane else drive for drive in changed.passes)))
    assert bands.left_out == ("5 Hz",)
    assert len(bands.thirds) == len(THIRDS) - 1


def test_the_comparison_carries_them_beside_its_findings(changed, bands):
    comparison = compare(changed, metrics=["jerk_z"])
    assert comparison.evidence["thirds"].data == [bands]
    assert len(comparison.findings) == 1  # no band joins the family of verdicts
    assert json.loads(json.dumps(asdict(bands)))["thirds"][0]["metric"] == "third_5_z"


def test_drives_without_third_octaves_have_no_bands(make):
    assert "thirds" not in compare(make.invented(1), metrics=["jerk_z"]).evidence


@pytest.fixture
def of_recorded(compared):
    """The bands of drives of white noise, 260 / 120 times as strong after; at 1 kHz bands up to 315 Hz are carried."""
    return compared.evidence["thirds"].data[0]


def test_third_octaves_are_drawn_with_their_joint_intervals(of_recorded, styled, labels):
    (panel,) = figure.panels([of_recorded], 0.1)
    (axes,) = panel.axes
    assert [band.name for band in of_recorded.thirds][-1] == "315 Hz"
    assert labels(panel) == ["mid-band frequency of the third-octave, Hz"]
    heights = [tuple(np.atleast_1d(line.get_ydata())) for line in axes.lines]
    for band in of_recorded.thirds:
        assert band.interval in heights
        assert band.ratio == pytest.approx(260 / 120, rel=0.3)
        assert band.interval[0] <= 260 / 120 <= band.interval[1]
    assert of(of_recorded, "harshness_z").ratio == pytest.approx(260 / 120, rel=0.1)


def test_bands_without_an_interval_are_drawn_and_no_road_gives_no_panel(of_recorded, styled, texts):
    assert figure.panels((), 0.1) == []
    bare = tuple(replace(band, interval=None, shown=0, judged="not judged", beyond="so") for band in of_recorded.thirds)
    (panel,) = figure.panels((replace(of_recorded, thirds=bare, wide=()),), 0.1)
    panel.canvas.draw()
    assert "beyond what the\nmounting carries" in texts(panel)


def test_ratios_outside_the_axis_are_given_at_its_edge(of_recorded, styled, texts):
    """Judged ratios are always inside; the others have their number."""
    first, second, *others = of_recorded.thirds
    judged = replace(first, ratio=12.0, interval=(5.0, 40.0))
    noisy = replace(second, ratio=30.0, interval=(9.0, 99.0), shown=0, judged="not judged")
    wide = tuple(replace(band, judged="not judged") for band in of_recorded.wide)
    (panel,) = figure.panels((replace(of_recorded, thirds=(judged, noisy, *others), wide=wide),), 0.1)
    low, high = panel.axes[0].get_ylim()
    assert low < 1 < 12.0 < high < 30.0
    assert "+2900 %" in texts(panel)
    assert "+1100 %" not in texts(panel)
    (margin, *_), shades = panel.axes[0].patches, panel.axes[0].collections
    assert margin.get_facecolor()[3] == 1
    assert [shade.get_facecolor().size for shade in shades] == [0] * len(wide)


def test_levels_by_time_are_decibels_of_the_cells(make, recorded, of_recorded, styled, labels):
    """ISO 1683: acceleration in decibels re 1e-6 m/s², so that 1 m/s² is 120 dB."""
    before, after = (recorded.of("quarry-lane", side)[0] for side in ("before", "after"))
    by_time = by_place(of_recorded, None, before, after)
    metrics = [band.metric for band in of_recorded.thirds]
    for drive, levels in ((before, by_time.before), (after, by_time.after)):
        assert levels == pytest.approx(
            120 + 20 * np.log10([make.levels_of(drive)[metric] for metric in metrics]), abs=0.01
        )
    assert by_time.reference is None
    for panel in spectrogram.panels(by_time, has_pair=True):
        assert "level, dB re 10⁻⁶ m/s²" in labels(panel)
        assert any("not aligned" in label.replace("\n", " ") for label in labels(panel))
    assert len(spectrogram.data(by_time, has_pair=True).rows) == 2 * by_time.before.shape[1]


def test_both_sides_show_the_same_place_and_the_ratio_is_over_all_passes(make, recorded, of_recorded, styled):
    """One pass is delayed by 0.5 s and twice as strong: aligned, it is 6.02 dB above the other, a ratio of 2."""
    first = recorded.of("quarry-lane", "before")[0]
    late = make.levels_of(first) | {"start_s": first.cells["start_s"] + 0.5}
    late |= {name: 2 * late[name] for name in first.kept}
    passes = [replace(first, path=first.path.with_name(f"{number}.h5")) for number in range(4)]
    passes[2:] = [make.of_cells(replace(drive, side="after"), late) for drive in passes[2:]]
    places = find_places(passes)
    assert places.alignment.failure is None
    along = by_place(of_recorded, places, passes[0], passes[2])
    both = np.isfinite(along.before) & np.isfinite(along.after)
    assert both.mean() > 0.7
    assert np.median(along.after[both] - along.before[both]) == pytest.approx(20 * np.log10(2), abs=0.1)
    assert np.median(along.ratios) == pytest.approx(2.0, rel=0.02)
    titles = [panel.axes[0].get_title("left") for panel in spectrogram.panels(along, has_pair=True)]
    assert [title.split(":")[0] for title in titles] == ["before", "after", along.bands.road]
    assert titles[2].endswith(": change, 3 before, 3 after")
    assert len(spectrogram.panels(along, has_pair=False)) == 1
    assert len(spectrogram.data(along, has_pair=False).rows) == len(along.places_s)
    assert at_one_place(along) is None


def test_a_change_at_one_place_is_reported_as_such(of_recorded):
    """Of ten places one alone is 40 times as strong: the change over the road exceeds that at nine of ten."""
    ratios = np.full((len(of_recorded.thirds), 10), 1.1)
    ratios[:, 6] = 40.0
    places_s = np.column_stack([np.arange(10.0), np.arange(1.0, 11.0)])
    levels = np.zeros((len(of_recorded.thirds), 10))
    road = ByPlace(of_recorded, ("a", "b"), "a", np.arange(11.0), levels, levels, places_s, ratios)
    assert at_one_place(road) == 6.5
    assert "is at one place, at 6 s; elsewhere +10 % to " in spectrogram.title(road)


def test_places_that_do_not_touch_leave_a_blank():
    edges, ratios = blank(np.array([[3.0, 4.0], [4.0, 5.0], [7.0, 8.0]]), np.array([[1.0, 2.0, 3.0]]))
    assert edges.tolist() == [3.0, 4.0, 5.0, 7.0, 8.0]
    assert np.array_equal(ratios, [[1.0, 2.0, np.nan, 3.0]], equal_nan=True)
