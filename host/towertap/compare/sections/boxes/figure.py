"""Figure: box plots of places and windows before and after, per road and metric, with the passes over them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.findings.model import Finding
from towertap.compare.road.rough import PassValue
from towertap.compare.sections.boxes.levels import Drawn, Levels
from towertap.drawing.style import INK, QUIET, SIDES, VERDICTS, log_ticks, new_figure
from towertap.words.numbers import brief, number

COLUMNS = 3
PANEL_IN = (2.95, 2.9)
Values = tuple[Sequence[PassValue], Sequence[PassValue]]


def draw(drawn: Drawn) -> Figure:
    """Draw one panel a metric: the smooth road first, then every rough road, each before and after."""
    metrics = list(drawn.limits)
    columns = min(COLUMNS, len(metrics))
    rows = math.ceil(len(metrics) / columns)
    figure = new_figure(columns * PANEL_IN[0], 0.9 + rows * PANEL_IN[1], title(drawn.findings))
    panels = figure.subplots(rows, columns, squeeze=False).flat
    for metric, axes in zip(metrics, panels, strict=False):  # metrics first: its end takes no panel
        _panel(axes, drawn, [finding for finding in drawn.findings if finding.metric == metric])
    for axes in panels:
        axes.set_axis_off()
    before, after = drawn.drives.before, drawn.drives.after
    handles: list[Patch | Line2D] = [
        Patch(facecolor=SIDES["before"].colour, alpha=0.35, label=f"before: {brief(before)}"),
        Patch(facecolor=SIDES["after"].colour, alpha=0.35, hatch="////", label=f"after: {brief(after)}"),
        Line2D([], [], color=INK, marker="o", ms=4, mfc="white", ls="", label="a pass"),
        Line2D([], [], color=QUIET, lw=0.9, ls=":", label="roughness limit from the smooth road"),
    ]
    figure.legend(handles=handles, loc="outside lower left", ncols=4)
    return figure


def title(findings: Sequence[Finding]) -> str:
    """Where on a rough road the largest change was seen."""
    most = max(findings, key=lambda finding: abs(math.log(finding.ratio)))
    return (
        f"Largest change on a rough road: {brief(most.label, 44)}, {brief(most.road)}, "
        f"{number(most.before)} → {number(most.after)} {most.unit} ({most.verdict})"
    )


def _panel(axes: Axes, drawn: Drawn, findings: Sequence[Finding]) -> None:
    metric = findings[0].metric
    _pair(axes, 0, drawn.smooth[metric], ((), ()))
    for place, finding in enumerate(findings, start=1):
        _pair(axes, place, drawn.rough[finding.road, metric], (finding.before_values, finding.after_values))
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
    axes.axhline(drawn.limits[metric].value, color=QUIET, lw=0.9, ls=":")
    axes.set_yscale("log")
    log_ticks(axes, "y")
    axes.grid(axis="y")
    axes.set_xlim(-0.55, len(findings) + 0.55)
    names = [f"{brief(drawn.drives.smooth, 16)}\n(smooth)", *(brief(finding.road, 16) for finding in findings)]
    axes.set_xticks(range(len(names)), labels=names)
    axes.tick_params(axis="x", length=0, labelcolor=INK)
    axes.set_ylabel(f"window r.m.s., {findings[0].unit}")
    axes.set_title(brief(findings[0].label, 38), pad=24, fontsize=7.8)


def _pair(axes: Axes, place: int, levels: Levels, values: Values) -> None:
    for (side, look), x, of_side, passes in zip(SIDES.items(), (place - 0.2, place + 0.2), levels, values, strict=True):
        if of_side.size:
            axes.boxplot(
                of_side,
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
        offsets = [0.05 * (rank - (len(passes) - 1) / 2) for rank in range(len(passes))]
        axes.plot(
            [x + offset for offset in offsets],
            [drive.value for drive in passes],
            ls="",
            marker=look.marker,
            ms=4,
            mfc="white",
            mec=INK,
            mew=0.8,
            zorder=4,
        )
