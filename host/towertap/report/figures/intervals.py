"""Figure: every finding's ratio and its 95 % interval against the margin that counts."""

from __future__ import annotations

import math
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from towertap.compare.comparison import Comparison
from towertap.compare.findings.model import Finding
from towertap.drawing.style import INK, QUIET, VERDICTS, new_figure
from towertap.words.numbers import brief, interval, number

ROW_IN = 0.25
WIDEST = 8.0
"""The axis goes no further than this ratio and its inverse; a wider interval runs out of the figure."""
WHOLE = "#a3adb6"


def draw(comparison: Comparison) -> Figure:
    """Draw one row a finding, grouped by road; right of the plot the numbers themselves."""
    roads = list(dict.fromkeys(finding.road for finding in comparison.findings))
    rows = len(comparison.findings) + 1.3 * len(roads)
    figure = new_figure(8.6, 1.1 + ROW_IN * rows, title(comparison))
    axes = figure.subplots()
    axes.set_xscale("log")
    axes.axvspan(1 / (1 + comparison.margin), 1 + comparison.margin, color="#e6ebf0", lw=0)
    axes.axvline(1.0, color=QUIET, lw=0.8)
    y, rows_at = -0.4, {}
    for road in roads:
        y += 1.3
        axes.text(0.0, y, brief(road), transform=axes.get_yaxis_transform(), weight="bold", va="center")
        for finding in (finding for finding in comparison.findings if finding.road == road):
            y += 1
            rows_at[y] = brief(finding.label, 44)
            _row(axes, y, finding)
    axes.set_ylim(y + 0.8, 0.1)
    axes.set_yticks(list(rows_at), labels=list(rows_at.values()))
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")
    _ratio_axis(axes, comparison)
    return figure


def title(comparison: Comparison) -> str:
    """What the findings say together, in a line."""
    counts = {verdict: sum(finding.verdict == verdict for finding in comparison.findings) for verdict in VERDICTS}
    said = ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
    return f"After against before, {len(comparison.findings)} findings: {said}"


def _row(axes: Axes, y: float, finding: Finding) -> None:
    look = VERDICTS[finding.verdict]
    if finding.whole.interval is not None and finding.basis != "whole passes":
        axes.plot(finding.whole.interval, [y + 0.3] * 2, color=WHOLE, lw=0.9, solid_capstyle="butt")
        axes.plot(finding.whole.ratio, y + 0.3, marker="|", ms=4, color=WHOLE)
    if finding.interval is not None:
        axes.plot(finding.interval, [y, y], color=look.colour, lw=2.2, solid_capstyle="butt")
    axes.plot(finding.ratio, y, marker=look.marker, ms=6, color=look.colour, mec="white", mew=0.6)
    _beside(axes, y, 8, f"{number(finding.ratio)}  ({interval(finding.interval)})", fontsize=7.5, color=QUIET)
    _beside(axes, y, 122, finding.verdict, fontsize=8, color=look.colour, weight="bold")


def _beside(axes: Axes, y: float, offset_pt: float, text: str, **kwargs: Any) -> None:
    axes.annotate(
        text,
        (1, y),
        (offset_pt, 0),
        xycoords=axes.get_yaxis_transform(),
        textcoords="offset points",
        va="center",
        annotation_clip=False,
        **kwargs,
    )


def _ratio_axis(axes: Axes, comparison: Comparison) -> None:
    """A logarithmic axis just wide enough for the intervals, with ticks at everyday ratios."""
    spread = [1 + 2 * comparison.margin]
    for finding in comparison.findings:
        ends = (finding.ratio, *(finding.interval or ()))
        spread += [max(end, 1 / end) for end in ends if 0 < end < math.inf]
    reach = min(WIDEST, 1.06 * max(spread))
    fine, middle, coarse = (
        (0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.5),
        (0.3, 0.5, 0.7, 1, 1.4, 2, 3),
        (0.25, 0.5, 1, 2, 4),
    )
    ticks = fine if reach < 1.8 else middle if reach < 4 else coarse
    axes.set_xlim(1 / reach, reach)
    inside = [tick for tick in ticks if 1 / reach <= tick <= reach]
    axes.set_xticks(inside, labels=[f"{tick:g}" for tick in inside])
    axes.set_xticks([], minor=True)
    axes.set_xlabel(
        f"ratio after / before (no unit), 95 % interval over passes\n"
        f"shaded: margin ±{comparison.margin:.0%}, does not count; grey: whole passes"
    )
