"""Figure: box plots of the windows before and after, per road and metric, with the passes as points over them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.answer import Comparison
from towertap.compare.model import Box, Finding, PassFigure, Side
from towertap.report.style import INK, QUIET, SIDES, VERDICTS, log_ticks, new_figure
from towertap.report.words import brief, number

COLUMNS = 3
PANEL_IN = (2.95, 2.9)


def draw(comparison: Comparison) -> Figure:
    """Draw one panel a metric: the smooth road first, then every rough road, each before and after."""
    metrics = list(dict.fromkeys(finding.metric for finding in comparison.findings))
    columns = min(COLUMNS, len(metrics))
    rows = math.ceil(len(metrics) / columns)
    figure = new_figure(columns * PANEL_IN[0], 0.9 + rows * PANEL_IN[1], title(comparison))
    panels = figure.subplots(rows, columns, squeeze=False).flat
    for metric, axes in zip(metrics, panels, strict=False):  # metrics first: its end takes no panel
        _panel(axes, comparison, [finding for finding in comparison.findings if finding.metric == metric])
    for axes in panels:
        axes.set_axis_off()
    handles: list[Patch | Line2D] = [
        Patch(facecolor=SIDES["before"].colour, alpha=0.35, label=f"before: {brief(comparison.before)}"),
        Patch(facecolor=SIDES["after"].colour, alpha=0.35, hatch="////", label=f"after: {brief(comparison.after)}"),
        Line2D([], [], color=INK, marker="o", ms=4, mfc="white", ls="", label="a pass"),
        Line2D([], [], color=QUIET, lw=0.9, ls=":", label="gate from the smooth road"),
    ]
    figure.legend(handles=handles, loc="outside lower left", ncols=4)
    return figure


def title(comparison: Comparison) -> str:
    """Where on a rough road the largest change was seen."""
    if not comparison.findings:
        return "No findings"
    most = max(comparison.findings, key=lambda finding: abs(math.log(finding.ratio)))
    return (
        f"Largest change on a rough road: {brief(most.label, 44)}, {brief(most.road)}, "
        f"{number(most.before)} → {number(most.after)} {most.unit} ({most.verdict})"
    )


def _panel(axes: Axes, comparison: Comparison, findings: Sequence[Finding]) -> None:
    first, gate = findings[0], comparison.gates[findings[0].metric]
    _pair(axes, 0, gate.before_box, gate.after_box, (), ())
    for place, finding in enumerate(findings, start=1):
        _pair(axes, place, finding.before_box, finding.after_box, finding.before_values, finding.after_values)
        axes.text(
            place,
            1.0,
            f"{finding.verdict}\n×{number(finding.ratio)}",
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=7.5,
            color=VERDICTS[finding.verdict].colour,
            weight="bold",
        )
    axes.axhline(gate.threshold, color=QUIET, lw=0.9, ls=":")
    axes.set_yscale("log")
    log_ticks(axes, "y")
    axes.grid(axis="y")
    axes.set_xlim(-0.55, len(findings) + 0.55)
    names = [f"{brief(comparison.smooth, 16)}\n(smooth)", *(brief(finding.road, 16) for finding in findings)]
    axes.set_xticks(range(len(names)), labels=names)
    axes.tick_params(axis="x", length=0, labelcolor=INK)
    axes.set_ylabel(f"window r.m.s., {first.unit}")
    axes.set_title(brief(first.label, 38), pad=24, fontsize=7.8)


def _pair(
    axes: Axes,
    place: int,
    before: Box | None,
    after: Box | None,
    before_values: Sequence[PassFigure],
    after_values: Sequence[PassFigure],
) -> None:
    sides: tuple[tuple[Side, float, Box | None, Sequence[PassFigure]], ...] = (
        ("before", place - 0.2, before, before_values),
        ("after", place + 0.2, after, after_values),
    )
    for side, x, box, values in sides:
        if box is not None:
            _box(axes, x, side, box)
        offsets = [0.05 * (rank - (len(values) - 1) / 2) for rank in range(len(values))]
        axes.plot(
            [x + offset for offset in offsets],
            [value.figure for value in values],
            ls="",
            marker=SIDES[side].marker,
            ms=4,
            mfc="white",
            mec=INK,
            mew=0.8,
            zorder=4,
        )


def _box(axes: Axes, x: float, side: Side, box: Box) -> None:
    look = SIDES[side]
    numbers = {
        "med": box.median,
        "q1": box.q1,
        "q3": box.q3,
        "whislo": box.whisker_low,
        "whishi": box.whisker_high,
        "fliers": box.outliers,
    }
    axes.bxp(
        [numbers],
        positions=[x],
        widths=0.32,
        patch_artist=True,
        manage_ticks=False,
        boxprops={
            "facecolor": look.colour + "55",
            "edgecolor": look.colour,
            "hatch": "////" if side == "after" else "",
        },
        medianprops={"color": look.colour, "lw": 2.0},
        whiskerprops={"color": look.colour},
        capprops={"color": look.colour},
        flierprops={"marker": ".", "ms": 3, "mfc": look.colour, "mec": "none", "alpha": 0.6},
    )
