"""The picture of the findings: every ratio with its interval, whatever names and ends they have."""

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from towertap.drawing import style
from towertap.report.figures import intervals

pytestmark = pytest.mark.usefixtures("styled")


def test_intervals_show_every_finding_with_its_numbers(compared):
    figure = intervals.draw(compared)
    (axes,) = figure.axes
    assert figure.get_suptitle() == "After against before, 3 findings: 3 harsher"
    assert "ratio after / before (no unit), 95 % interval" in axes.get_xlabel()
    lines = [tuple(line.get_xdata()) for line in axes.lines]
    texts = [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]
    for finding in compared:
        assert finding.interval in lines
        assert (finding.ratio,) in [tuple(np.atleast_1d(line)) for line in lines]
        assert finding.label in texts
    (band,) = axes.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((1 / 1.1, 1.1))


def test_intervals_without_an_interval_or_with_an_endless_one_are_drawn(compared):
    lone = replace(compared.findings[0], interval=None)
    endless = replace(compared.findings[1], interval=(1e-9, math.inf))
    figure = intervals.draw(replace(compared, findings=(lone, endless)))
    figure.canvas.draw()
    assert figure.axes[0].get_xlim()[1] <= intervals.WIDEST


def test_hostile_names_do_not_break_the_figure(compared):
    hostile = "$\\frac{ \n\x00\x1b[31m" + "<b>" * 200
    findings = tuple(replace(finding, road=hostile, label=hostile) for finding in compared)
    style.save(intervals.draw(replace(compared, findings=findings)), io.BytesIO())


def test_a_name_in_a_script_that_the_font_lacks_is_drawn_without_complaint(compared):
    findings = tuple(replace(finding, road="石の道 🛣") for finding in compared)
    style.save(intervals.draw(replace(compared, findings=findings)), io.BytesIO())
