"""The picture of the findings: every change with both intervals, for any names and ends."""

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from towertap.compare.findings.describe import WORDS
from towertap.drawing import style
from towertap.report.figures import intervals
from towertap.words.numbers import change_percent
from towertap.words.phrases import sentence_case

pytestmark = pytest.mark.usefixtures("styled")


def test_one_road_has_a_row_per_metric_with_both_intervals(compared):
    picture = intervals.picture(compared)
    (panel,) = picture.panels
    (axes,) = panel.axes
    lines = [tuple(np.atleast_1d(line.get_xdata())) for line in axes.lines]
    texts = [text.get_text() for text in panel.findobj(lambda artist: hasattr(artist, "get_text"))]
    for finding in compared:
        assert {finding.interval, finding.part.interval, (finding.ratio,)} <= set(lines)
        assert f"{change_percent(finding.ratio, finding.interval)}  {WORDS[finding.verdict]}" in texts
    (band,) = axes.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((1 / 1.1, 1.1))
    assert picture.title == "Harsher in vertical jerk, weighted vertical acceleration and vertical acceleration"
    assert len(picture.data.rows) == len(compared.findings)


def labels_of(panel):
    """Headings and labels of a panel, from its top."""
    return [text.get_text() for text in panel.axes[0].texts if text.get_position()[0] == 0]


def test_several_roads_have_a_row_per_road_under_each_metric(compared):
    overall = tuple(replace(finding, road="all rough roads", over_all=True) for finding in compared.findings)
    (panel,) = intervals.picture(replace(compared, overall=overall)).panels
    assert labels_of(panel) == [
        words
        for finding in compared.findings
        for words in (sentence_case(finding.label), "all rough roads", finding.road)
    ]


def test_no_panel_is_taller_than_paper_and_none_leaves_a_row_out(compared):
    """A4 is 11.7 inches high; a panel is 4.1 inches wide."""
    many = [
        replace(finding, label=f"{finding.label} {number}") for number in range(20) for finding in compared.findings
    ]
    panels = intervals.picture(replace(compared, findings=tuple(many))).panels
    assert sum(len(labels_of(panel)) - 1 for panel in panels) == 60
    assert max(panel.get_size_inches()[1] for panel in panels) < 10


def test_no_change_that_counts_is_shown_with_the_interval_that_decides_it(compared):
    """Two one-sided tests at 5 % correspond to the 90 % interval (Schuirmann 1987)."""
    part = replace(compared.findings[0].part, interval=(0.95, 1.11), interval_90=(0.96, 1.09))
    equivalent = replace(compared.findings[0], ratio=1.03, interval=(0.98, 1.08), verdict="equivalent", part=part)
    picture = intervals.picture(replace(compared, findings=(equivalent,)))
    lines = [tuple(np.atleast_1d(line.get_xdata())) for line in picture.panels[0].axes[0].lines]
    assert part.interval_90 in lines
    assert part.interval not in lines
    assert "(90 % for no change that counts)" in picture.caption
    (row,) = picture.data.rows
    assert row[picture.data.columns.index("the part")] == "−4 to +9 %"
    assert picture.data.title.endswith("(equivalent, no change that counts: 90 %)")


def test_findings_with_no_interval_or_an_infinite_one_are_drawn(compared):
    lone = replace(compared.findings[0], interval=None)
    endless = replace(compared.findings[1], interval=(1e-9, math.inf))
    (panel,) = intervals.picture(replace(compared, findings=(lone, endless))).panels
    panel.canvas.draw()
    assert panel.axes[0].get_xlim()[1] <= 1.06 * style.WIDEST


@pytest.mark.parametrize("ratio", [40.0, 1 / 40])
def test_a_change_of_any_size_is_inside_the_picture(compared, ratio):
    large = replace(compared.findings[0], ratio=ratio, interval=(0.9 * ratio, 1.1 * ratio))
    (panel,) = intervals.picture(replace(compared, findings=(large,))).panels
    low, high = panel.axes[0].get_xlim()
    assert low < ratio < high


@pytest.mark.parametrize("name", ["$\\frac{ \n\x00\x1b[31m" + "<b>" * 200, "石の道 🛣"])
def test_no_name_breaks_the_picture(compared, name):
    """A name of markup, mathematics and control characters, and one in a script that the font lacks."""
    findings = tuple(replace(finding, road=name, label=name) for finding in compared)
    for panel in intervals.picture(replace(compared, findings=findings)).panels:
        style.save(panel, io.BytesIO())
        assert "<b>" not in style.svg(panel, "name", name)


def test_the_margin_and_the_tens_around_it_have_ticks(compared):
    finding = replace(compared.findings[0], ratio=1.3, interval=(1.2, 1.4))
    picture = intervals.picture(
        replace(compared, findings=(replace(finding, part=replace(finding.part, interval=(1.1, 1.4))),))
    )
    axes = picture.panels[0].axes[0]
    ticks = [round(tick, 6) for minor in (False, True) for tick in axes.get_xticks(minor=minor)]
    assert {0.9, 1.0, 1.1, 1.2, 1.3, 1.4} <= set(ticks)
