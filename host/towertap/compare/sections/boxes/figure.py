"""The picture of box plots of places and windows, per road and metric, with the passes on top."""

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.drives.model import Side, metric_of
from towertap.compare.findings.describe import WORDS, by_metric
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import PassValue
from towertap.compare.sections.boxes.steps import Drawn, Levels
from towertap.drawing.style import INK, PAPER, QUIET, SIDES, VERDICTS, Look, legend, log_ticks, new_figure
from towertap.signals.metrics import RMS
from towertap.words.numbers import brief, change_percent, number
from towertap.words.phrases import sentence_case

HATCH = "////"


def panels(drawn: Drawn) -> list[Figure]:
    """A panel per metric: the smooth road first, then every rough road, each before and after."""
    return [_panel(drawn, findings) for findings in by_metric(drawn.findings)]


def title(findings: Sequence[Finding], among: str) -> str:
    """The largest change on a rough road; `among` says of which metrics."""
    most = max(findings, key=lambda finding: abs(math.log(finding.ratio)))
    return (
        f"Largest change{among}: {brief(most.label, 44)} on {brief(most.road)}, from {number(most.before)} to "
        f"{number(most.after)} {most.unit}"
    )


def _panel(drawn: Drawn, findings: Sequence[Finding]) -> Figure:
    metric, figure = findings[0].metric, new_figure(2.55)
    axes = figure.subplots()
    _pair(axes, 0, drawn.smooth[metric], ((), ()))
    for place, finding in enumerate(findings, start=1):
        _pair(axes, place, drawn.rough[finding.road, metric], (finding.before_values, finding.after_values))
        axes.text(
            place,
            1.0,
            f"{textwrap.fill(WORDS[finding.verdict], 13)}\n{change_percent(finding.ratio, finding.interval)}",
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
    names = [f"{brief(drawn.smooth_road, 16)}\n(smooth)", *(brief(finding.road, 16) for finding in findings)]
    axes.set_xticks(range(len(names)), labels=names)
    axes.tick_params(axis="x", length=0, labelcolor=INK)
    axes.set_ylabel("r.m.s., " * (metric_of(metric).statistic is RMS) + findings[0].unit)
    axes.set_title(
        brief(sentence_case(findings[0].label), 48),
        pad=34 if any(finding.verdict == "equivalent" for finding in findings) else 24,
    )
    boxes = [Patch(**_box(side, look), label=side) for side, look in SIDES.items()]
    mark = Line2D([], [], color=INK, marker="o", ms=4, mfc=PAPER, ls="", label="a pass")
    legend(figure, [*boxes, mark, Line2D([], [], color=QUIET, lw=0.9, ls=":", label="roughness limit")], columns=4)
    return figure


def _pair(axes: Axes, place: int, levels: Levels, values: Sequence[Sequence[PassValue]]) -> None:
    positions = (place - 0.2, place + 0.2)
    for (side, look), x, side_levels, passes in zip(SIDES.items(), positions, levels, values, strict=True):
        if side_levels.size:
            axes.boxplot(
                side_levels,
                positions=[x],
                widths=0.32,
                patch_artist=True,
                manage_ticks=False,
                boxprops=_box(side, look),
                medianprops={"color": look.colour, "lw": 2.0},
                whiskerprops={"color": look.colour},
                capprops={"color": look.colour},
                flierprops={"marker": ".", "ms": 3, "mfc": look.colour, "mec": "none", "alpha": 0.6},
            )
        spread_x = [x + 0.05 * (rank - (len(passes) - 1) / 2) for rank in range(len(passes))]
        mark: dict[str, Any] = {"marker": look.marker, "ms": 4, "mfc": PAPER, "mec": INK, "mew": 0.8, "zorder": 4}
        axes.plot(spread_x, [drive.value for drive in passes], ls="", **mark)


def _box(side: Side, look: Look) -> dict[str, Any]:
    return {"facecolor": f"{look.colour}55", "edgecolor": look.colour, "hatch": HATCH * (side == "after")}
