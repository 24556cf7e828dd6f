"""The figures: numbers against matplotlib's and numpy's own, units on every axis, a title that says the finding."""

import io
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib import cbook
from towertap.capture.reading import open_capture
from towertap.compare.comparison import compare
from towertap.compare.road.places import find_places
from towertap.compare.road.rough import window_values
from towertap.compare.sections.thirds import figure as thirds
from towertap.compare.sections.thirds import spectrogram
from towertap.compare.sections.thirds.by_place import blank, by_place
from towertap.drawing import style
from towertap.report import drawn
from towertap.report.figures import alignment, boxes, intervals, spectra, traces
from towertap.report.report import road_spectra

UP = np.array([0.0, 0.0, 1.0])

pytestmark = pytest.mark.usefixtures("styled")


def labels(figure):
    return [label for axes in figure.axes for label in (axes.get_xlabel(), axes.get_ylabel()) if label]


def drawn_text(figure):
    return "\n".join(text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text")))


def test_intervals_show_every_finding_with_its_numbers(comparison):
    figure = intervals.draw(comparison)
    (axes,) = figure.axes
    assert figure.get_suptitle() == "After against before, 3 findings: 3 harsher"
    assert "ratio after / before (no unit), 95 % interval" in axes.get_xlabel()
    lines = [tuple(line.get_xdata()) for line in axes.lines]
    for finding in comparison:
        assert finding.interval in lines
        assert (finding.ratio,) in [tuple(np.atleast_1d(line)) for line in lines]
        assert finding.label in drawn_text(figure)
    (band,) = axes.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((1 / 1.1, 1.1))


def test_intervals_without_an_interval_or_with_an_endless_one_are_drawn(comparison):
    lone, endless = (
        replace(comparison.findings[0], interval=None),
        replace(comparison.findings[1], interval=(1e-9, math.inf)),
    )
    figure = intervals.draw(replace(comparison, findings=(lone, endless)))
    figure.canvas.draw()
    assert figure.axes[0].get_xlim()[1] <= intervals.WIDEST


def test_box_plots_have_the_numbers_of_matplotlib_and_numpy(drives, comparison):
    figure = boxes.draw(comparison)
    for axes, finding in zip(figure.axes, comparison.findings, strict=False):
        assert axes.get_ylabel() == f"window r.m.s., {finding.unit}"
        gate = comparison.gates[finding.metric].threshold
        heights = [tuple(line.get_ydata()) for line in axes.lines]
        for side in ("before", "after"):
            values = window_values(drives.of(finding.road, side), finding.metric, gate)
            (numbers,) = cbook.boxplot_stats(values)
            assert (numbers["med"],) * 2 == pytest.approx((np.quantile(values, 0.5),) * 2)
            assert any(line == pytest.approx((numbers["med"],) * 2) for line in heights if len(line) == 2)
            for quartile, whisker in (("q1", "whislo"), ("q3", "whishi")):
                ends = (numbers[quartile], numbers[whisker])
                assert any(line == pytest.approx(ends) for line in heights if len(line) == 2)
            points = tuple(value.figure for value in getattr(finding, f"{side}_values"))
            assert any(line == pytest.approx(points) for line in heights if len(line) == len(points))


def test_panels_without_a_metric_stay_empty(drives):
    figure = boxes.draw(compare(drives, metrics=["jerk_x", "jerk_y", "jerk_z", "primary_z"]))
    assert [axes.axison for axes in figure.axes] == [True] * 4 + [False] * 2


def test_spectra_name_units_and_what_the_third_octaves_show(drives):
    """After is 260 / 120 times as strong at every frequency; single lines, of which there are many, name nothing."""
    found, compared = road_spectra(drives), compare(drives, metrics=["jerk_z"])
    figure = spectra.draw(found, compared.bands, noise=1e-6)
    assert list(found) == ["quarry-lane", "bypass"]
    told = r"Density of vertical acceleration; third-octaves changed: quarry-lane most at [\d.]+ Hz"
    assert re.fullmatch(told, figure.get_suptitle().replace("\n", " "))
    assert spectra.title(()) == "Density of vertical acceleration; no third-octave shows a change"
    assert labels(figure) == ["density, (m/s²)²/Hz", "frequency, Hz", "density, (m/s²)²/Hz"]


def test_third_octaves_are_drawn_with_their_joint_intervals(comparison):
    """The drives are white noise, 260 / 120 times as strong after; at 1 kHz no band above 315 Hz is carried."""
    figure = thirds.draw(comparison.bands, comparison.margin)
    (road,), (axes,) = comparison.bands, figure.axes
    assert [one.name for one in road.thirds][-1] == "315 Hz"
    assert "Most changed third-octave: quarry-lane " in figure.get_suptitle()
    assert labels(figure) == ["mid-band frequency of the third-octave, Hz", "ratio after / before (no unit)"]
    heights = [tuple(np.atleast_1d(line.get_ydata())) for line in axes.lines]
    for one in road.thirds:
        assert one.interval in heights
        assert one.ratio == pytest.approx(260 / 120, rel=0.3)
        assert one.interval[0] <= 260 / 120 <= one.interval[1]
    assert of_band(road, "harshness_z").ratio == pytest.approx(260 / 120, rel=0.1)


def of_band(road, metric):
    return next(one for one in (*road.thirds, *road.wide) if one.metric == metric)


def test_third_octaves_of_nothing_or_without_an_interval_are_still_a_figure(comparison):
    assert thirds.draw((), 0.1).get_suptitle() == "No road has third-octaves before and after"
    (road,) = comparison.bands
    bare = tuple(replace(one, interval=None, shown=0, judged="not judged", beyond="so") for one in road.thirds)
    figure = thirds.draw((replace(road, thirds=bare, wide=()),), 0.1)
    figure.canvas.draw()
    assert figure.get_suptitle() == "Most changed third-octave: quarry-lane none shown"
    assert "beyond what the mounting carries" in drawn_text(figure)


def test_ratios_that_the_axis_does_not_hold_are_told_at_its_edge(comparison):
    """What is judged is always held, what is not has its number."""
    (road,) = comparison.bands
    first, second, *others = road.thirds
    held = replace(first, ratio=12.0, interval=(5.0, 40.0))
    drowned = replace(second, ratio=30.0, interval=(9.0, 99.0), shown=0, judged="not judged")
    wide = tuple(replace(one, judged="not judged") for one in road.wide)
    figure = thirds.draw((replace(road, thirds=(held, drowned, *others), wide=wide),), 0.1)
    low, high = figure.axes[0].get_ylim()
    assert low < 1 < 12.0 < high < 30.0
    assert "× 30.0" in drawn_text(figure)
    assert "× 12.0" not in drawn_text(figure)
    (margin, *_), shades = figure.axes[0].patches, figure.axes[0].collections
    assert margin.get_facecolor()[3] == 1
    assert [shade.get_facecolor().size for shade in shades] == [0] * len(wide)


@pytest.mark.parametrize(("low", "high"), [(80.0, 130.0), (0.171, 0.22), (15.0, 28.0), (0.003, 700.0), (0.97, 1.02)])
def test_a_logarithmic_axis_has_readable_ticks_whatever_its_span(low, high):
    axes = style.new_figure(4, 3, "").subplots()
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    style.log_ticks(axes, "y")
    ticks = [tick for tick in axes.get_yticks() if low <= tick <= high]
    assert 3 <= len(ticks) <= 12
    shown = [axes.yaxis.get_major_formatter()(tick) for tick in ticks]
    assert [float(text) for text in shown] == pytest.approx(ticks)
    assert max(len(text) for text in shown) <= 5


def test_a_long_title_is_broken_into_lines_that_fit():
    figure = style.new_figure(8.6, 3, "outside the margin since then by the passes of the day " * 4)
    figure.canvas.draw()
    title = next(text for text in figure.texts if text.get_text() == figure.get_suptitle())
    assert title.get_window_extent().x1 <= figure.bbox.x1


def test_levels_by_time_are_decibels_of_the_cells(drives, comparison):
    """ISO 1683: acceleration in decibels re 1e-6 m/s², so that 1 m/s² is 120 dB."""
    before, after = (drives.of("quarry-lane", side)[0] for side in ("before", "after"))
    found = by_place(comparison.bands[0], None, before, after)
    for one, levels in ((before, found.before), (after, found.after)):
        metrics = [band.metric for band in comparison.bands[0].thirds]
        expected = 120 + 20 * np.log10(one.cells[metrics].to_numpy().T)
        assert levels == pytest.approx(expected, abs=0.01)
    assert found.reference is None
    figure = spectrogram.draw(found)
    assert "third-octave level, dB re 10⁻⁶ m/s²" in labels(figure)
    assert any("not aligned" in label for label in labels(figure))


def test_the_same_place_stands_above_itself_and_the_ratio_is_of_all_passes(drives, comparison):
    """One pass is made later by 0.5 s and twice as strong: aligned, it is the other, 6.02 dB higher, a ratio of 2."""
    passes = [one for one in drives.of("quarry-lane", "before")[:1] for _ in range(4)]
    doubled = [name for name in passes[0].cells.columns if name not in ("piece", "start_s")]
    late = passes[0].cells.assign(start_s=passes[0].cells["start_s"] + 0.5)
    late[doubled] *= 2
    sides = [replace(passes[i], path=passes[i].path.with_name(f"{i}.h5")) for i in range(2)]
    sides += [replace(passes[i], path=passes[i].path.with_name(f"{i}.h5"), side="after", cells=late) for i in (2, 3)]
    places = find_places(sides)
    assert places.alignment.warning is None
    found = by_place(comparison.bands[0], places, sides[0], sides[2])
    both = np.isfinite(found.before) & np.isfinite(found.after)
    assert both.mean() > 0.7
    assert np.median(found.after[both] - found.before[both]) == pytest.approx(20 * np.log10(2), abs=0.1)
    assert np.median(found.ratios) == pytest.approx(2.0, rel=0.02)
    figure = spectrogram.draw(found)
    assert [axes.get_title("left").split(":")[0] for axes in figure.axes[:2]] == ["before", "after"]
    assert figure.axes[2].get_title("left").startswith("after / before, geometric means over")


def test_places_that_do_not_touch_leave_a_blank():
    edges, ratios = blank(np.array([[3.0, 4.0], [4.0, 5.0], [7.0, 8.0]]), np.array([[1.0, 2.0, 3.0]]))
    assert edges.tolist() == [3.0, 4.0, 5.0, 7.0, 8.0]
    assert np.array_equal(ratios, [[1.0, 2.0, np.nan, 3.0]], equal_nan=True)


def test_spectra_of_nothing_are_still_a_figure():
    assert spectra.draw({}, (), 1e-6).get_suptitle().endswith("no third-octave shows a change")


def test_traces_name_units_and_peaks(drives):
    sides = []
    for side in ("before", "after"):
        with open_capture(drives.of("quarry-lane", side)[0].path) as capture:
            sides.append(drawn.trace(capture, UP, 5.0))
    figure = traces.draw("quarry-lane", *sides)
    shown = labels(figure)
    assert {"vertical acceleration,\nm/s²", "vertical jerk,\nm/s³", "time from the start of the recording, s"} == set(
        shown
    )
    assert "peak vertical jerk" in figure.get_suptitle()


def test_the_alignment_shows_every_pass_by_time_and_by_place(drives):
    """The drives swell and fade alike, so that what noise lets through can be aligned or not; the title says which."""
    places = find_places(drives.of("quarry-lane"))
    figure = alignment.draw([places])
    by_time, by_place = figure.axes
    assert len(by_time.lines) == len(by_place.lines) == 6
    for shown, line, aligned in zip(places.prints, by_time.lines, by_place.lines, strict=True):
        assert np.array_equal(line.get_ydata(), shown, equal_nan=True)
        assert np.all(np.diff(aligned.get_xdata()) > 0)
    assert ("not aligned" in figure.get_suptitle()) == (places.alignment.warning is not None)
    assert by_time.get_xlabel() == "time from the start of the recording, s"


def test_hostile_names_do_not_break_a_figure(comparison):
    hostile = "$\\frac{ \n\x00\x1b[31m" + "<b>" * 200
    findings = tuple(replace(finding, road=hostile, label=hostile) for finding in comparison)
    bad = replace(comparison, findings=findings, before=hostile, after=hostile, smooth=hostile)
    for figure in (intervals.draw(bad), boxes.draw(bad)):
        style.save(figure, io.BytesIO())


def test_a_name_in_a_script_that_the_font_lacks_is_drawn_without_complaint(comparison):
    findings = tuple(replace(finding, road="石の道 🛣") for finding in comparison)
    style.save(intervals.draw(replace(comparison, findings=findings)), io.BytesIO())
