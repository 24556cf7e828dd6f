"""The picture of the findings: every change with both intervals, whatever names and ends they have."""

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from towertap.drawing import style
from towertap.report.figures import intervals
from towertap.words.numbers import change_percent

pytestmark = pytest.mark.usefixtures("styled")


def test_on_one_road_there_is_a_row_a_metric_with_both_intervals(compared):
    picture = intervals.picture(compared)
    (panel,) = picture.panels
    (axes,) = panel.axes
    lines = [tuple(np.atleast_1d(line.get_xdata())) for line in axes.lines]
    texts = [text.get_text() for text in panel.findobj(lambda artist: hasattr(artist, "get_text"))]
    for finding in compared:
        assert {finding.interval, finding.part.interval, (finding.ratio,)} <= set(lines)
        assert f"{change_percent(finding.ratio, finding.interval)}  {finding.verdict}" in texts
    (band,) = axes.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((1 / 1.1, 1.1))
    assert picture.title == "Harsher in vertical jerk, weighted vertical acceleration and vertical acceleration"
    assert len(picture.data.rows) == len(compared.findings)


def test_over_several_roads_there_is_a_panel_a_metric_with_a_row_a_road(compared):
    overall = tuple(replace(finding, road="all rough roads", over_all=True) for finding in compared.findings)
    panels = intervals.picture(replace(compared, overall=overall)).panels
    assert len(panels) == len(compared.findings)
    for panel, finding in zip(panels, compared.findings, strict=True):
        texts = [text.get_text() for text in panel.axes[0].texts]
        assert [texts[0], texts[2]] == ["all rough roads", finding.road]


def test_findings_without_an_interval_or_with_an_endless_one_are_drawn(compared):
    lone = replace(compared.findings[0], interval=None)
    endless = replace(compared.findings[1], interval=(1e-9, math.inf))
    (panel,) = intervals.picture(replace(compared, findings=(lone, endless))).panels
    panel.canvas.draw()
    assert panel.axes[0].get_xlim()[1] <= intervals.WIDEST


@pytest.mark.parametrize("name", ["$\\frac{ \n\x00\x1b[31m" + "<b>" * 200, "石の道 🛣"])
def test_no_name_breaks_the_picture(compared, name):
    """One that is markup, mathematics and control characters; one in a script that the font lacks."""
    findings = tuple(replace(finding, road=name, label=name) for finding in compared)
    for panel in intervals.picture(replace(compared, findings=findings)).panels:
        style.save(panel, io.BytesIO())
        assert "<b>" not in style.svg(panel, "name", name)
