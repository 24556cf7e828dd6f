"""Box plots of places and windows: values against matplotlib's and numpy's, and the value of each pass."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from matplotlib import cbook
from scipy import stats
from towertap.compare.comparison import compare
from towertap.compare.road.places import window_values
from towertap.compare.sections.boxes import BoxesSection, figure
from towertap.drawing import style

pytestmark = pytest.mark.usefixtures("styled")


def test_box_plots_have_the_numbers_of_matplotlib_and_numpy(recorded, compared):
    """White noise has no road fingerprint, so its findings are over the windows of whole passes."""
    for panel, finding in zip(figure.panels(compared.evidence["passes"].drawn), compared.findings, strict=True):
        (axes,) = panel.axes
        assert finding.basis == "whole passes"
        assert axes.get_ylabel() == f"r.m.s., {finding.unit}"
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
    table, *_ = compared.evidence["passes"].tables
    assert len(table.rows) == sum(sum(finding.passes) for finding in compared)
    assert {row[table.columns.index("rough places")] for row in table.rows} == {"–"}


def test_the_leading_metric_has_its_own_picture_and_the_others_a_panel_each(recorded):
    comparison = compare(recorded, metrics=["jerk_x", "jerk_y", "jerk_z", "primary_z"])
    pictures = list(BoxesSection().pictures(comparison.evidence["passes"]))
    assert [(picture.name, len(picture.panels)) for picture in pictures] == [("passes", 1), ("passes_others", 3)]
    assert pictures[0].title.startswith("Largest change: longitudinal jerk on quarry-lane, from ")
    assert pictures[1].title.startswith("Largest change of the other metrics: ")
    assert all(picture.data is comparison.evidence["passes"].tables[0] for picture in pictures)


def test_hostile_names_do_not_break_the_figure(compared):
    hostile = "$\\frac{ \n\x00\x1b[31m" + "<b>" * 200
    drawn = compared.evidence["passes"].drawn
    findings = [replace(finding, label=hostile) for finding in drawn.findings]
    for panel in figure.panels(replace(drawn, smooth_road=hostile, findings=findings)):
        style.save(panel, io.BytesIO())


def test_a_metric_that_is_not_a_root_mean_square_is_not_labelled_as_one(compared):
    drawn = compared.evidence["passes"].drawn
    (finding,) = [finding for finding in drawn.findings if finding.metric == "jerk_z"]
    dose = replace(finding, metric="vdv_z", unit="m/s^1.75")
    as_dose = {"smooth": {"vdv_z": drawn.smooth["jerk_z"]}, "limits": {"vdv_z": drawn.limits["jerk_z"]}}
    rough = {(finding.road, "vdv_z"): drawn.rough[finding.road, "jerk_z"]}
    variants = replace(drawn, findings=[finding]), replace(drawn, findings=[dose], rough=rough, **as_dose)
    labels = [panel.axes[0].get_ylabel() for variant in variants for panel in figure.panels(variant)]
    assert labels == ["r.m.s., m/s³", "m/s^1.75"]


def columns(table):
    """A table's rows as dicts."""
    return [dict(zip(table.columns, row, strict=True)) for row in table.rows]


def ends(text):
    return [float(end) for end in text.split(" to ")]


def test_both_statements_can_be_recomputed_from_the_tables(make):
    """By scipy, from the printed numbers alone: from values of passes to Welch's interval, then with the spreads."""
    comparison = compare(make.driven(1, ratio=1.1), metrics=["jerk_z"])
    passes, drives, part = map(columns, comparison.evidence["passes"].tables)
    logs = {
        part: np.log([float(row["rests on"]) for row in passes if row["part"] == part])
        for part in ("rubber", "polyurethane")
    }
    welch = stats.ttest_ind(logs["polyurethane"], logs["rubber"], equal_var=False)
    (shown,), (about,) = drives, part
    assert float(shown["ratio"]) == pytest.approx(np.exp(logs["polyurethane"].mean() - logs["rubber"].mean()), rel=1e-5)
    assert float(shown["df"]) == pytest.approx(welch.df, rel=1e-3)
    for name, level in (("95 % interval", 0.95), ("90 % interval", 0.90)):
        assert ends(shown[name]) == pytest.approx(np.exp(welch.confidence_interval(level)), rel=1e-5)
    without = [
        np.mean(np.delete(logs["polyurethane"], out[0])) - np.mean(np.delete(logs["rubber"], out[1]))
        for out in [([], number) for number in range(4)] + [(number, []) for number in range(4)]
    ]
    assert ends(shown["ratio without any one pass"]) == pytest.approx(np.exp([min(without), max(without)]), rel=1e-5)
    variance = float(about["SE of passes"]) ** 2
    for what in ("installations", "days"):
        variance += float(about[f"Σ W², {what}"]) * float(about[f"s, {what}"]) ** 2
    error = float(about["SE of ln ratio"])
    assert error == pytest.approx(np.sqrt(variance), rel=1e-4)
    reach = stats.t.ppf(0.975, float(about["df"])) * error
    assert ends(about["95 % interval"]) == pytest.approx(float(shown["ratio"]) * np.exp([-reach, reach]), rel=1e-4)


def test_days_confounded_with_installations_are_not_said_to_differ_by_nothing(make):
    """A;B;A;B;A;B: only the sum of both spreads can be measured, so the row of days is empty."""
    drives = make.driven(1, n=(6, 6))
    began = datetime(2026, 5, 4, 9, tzinfo=UTC)
    apart = tuple(
        replace(
            drive,
            started=began + timedelta(days=2 * ((drive.conditions.pass_number - 1) // 2) + (drive.side == "after")),
        )
        for drive in drives.passes
    )
    evidence = compare(replace(drives, passes=apart), metrics=["jerk_z"]).evidence["passes"]
    (words,) = evidence.paragraphs
    assert words.endswith(" % (measured here); days within that (measured with installations).")
    (about,) = columns(evidence.tables[2])
    assert float(about["s, days"]) == 0


def test_all_roads_together_have_their_own_row(make):
    comparison = compare(make.invented(3, roads={"new-road": 30.0, "quarry-lane": 40.0}), metrics=["jerk_z"])
    passes, drives, part = map(columns, comparison.evidence["passes"].tables)
    assert [row["road"] for row in drives] == [row["road"] for row in part]
    assert [row["road"] for row in drives] == ["all rough roads", "new-road", "quarry-lane"]
    assert len(passes) == 16
    assert {row["day"] for row in passes} == {"not known"}
