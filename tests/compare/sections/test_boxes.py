"""Box plots of places and windows: numbers against matplotlib's and numpy's, and the value of each pass."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from matplotlib import cbook
from towertap.compare.comparison import compare
from towertap.compare.road.rough import window_values
from towertap.compare.sections.boxes import BoxesSection, figure
from towertap.drawing import style

pytestmark = pytest.mark.usefixtures("styled")


def test_box_plots_have_the_numbers_of_matplotlib_and_numpy(recorded, compared):
    """White noise has no road to be aligned by, so its findings rest on the windows of whole passes."""
    drawn = figure.draw(compared.evidence["passes"].drawn)
    for axes, finding in zip(drawn.axes, compared.findings, strict=False):
        assert finding.basis == "whole passes"
        assert axes.get_ylabel() == f"window r.m.s., {finding.unit}"
        heights = [tuple(line.get_ydata()) for line in axes.lines]
        for side in ("before", "after"):
            values = window_values(recorded.of(finding.road, side), finding.metric)
            (numbers,) = cbook.boxplot_stats(values)
            assert (numbers["med"],) * 2 == pytest.approx((np.quantile(values, 0.5),) * 2)
            assert any(line == pytest.approx((numbers["med"],) * 2) for line in heights if len(line) == 2)
            for quartile, whisker in (("q1", "whislo"), ("q3", "whishi")):
                ends = (numbers[quartile], numbers[whisker])
                assert any(line == pytest.approx(ends) for line in heights if len(line) == 2)
            points = tuple(value.value for value in getattr(finding, f"{side}_values"))
            assert any(line == pytest.approx(points) for line in heights if len(line) == len(points))


def test_where_roads_are_aligned_the_boxes_are_of_rough_places(make):
    comparison = compare(make.driven(1), metrics=["jerk_z"])
    (finding,), drawn = comparison.findings, comparison.evidence["passes"].drawn
    before, after = drawn.rough["lane", "jerk_z"]
    assert finding.basis == "rough places"
    assert before.size == after.size == 4 * finding.before_values[0].rough_places
    assert min(before.min(), after.min()) < drawn.limits["jerk_z"].value < np.median(before)


def test_every_pass_has_its_row(compared):
    (table,) = compared.evidence["passes"].tables
    assert len(table.rows) == sum(sum(finding.passes) for finding in compared)
    assert {row[table.columns.index("rough places")] for row in table.rows} == {"–"}


def test_panels_without_a_metric_stay_empty(recorded):
    comparison = compare(recorded, metrics=["jerk_x", "jerk_y", "jerk_z", "primary_z"])
    (picture,) = BoxesSection().pictures(comparison.evidence["passes"])
    assert picture.name == "boxes"
    assert [axes.axison for axes in picture.figure.axes] == [True] * 4 + [False] * 2


def test_hostile_names_do_not_break_the_figure(compared):
    hostile = "$\\frac{ \n\x00\x1b[31m" + "<b>" * 200
    drawn = compared.evidence["passes"].drawn
    drives = replace(drawn.drives, before=hostile, after=hostile, smooth=hostile)
    findings = [replace(finding, label=hostile) for finding in drawn.findings]
    style.save(figure.draw(replace(drawn, drives=drives, findings=findings)), io.BytesIO())
