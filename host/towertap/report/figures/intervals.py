"""Picture: every finding's change with its intervals, on these drives and of the part, against the margin."""

import math
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.comparison import Comparison
from towertap.compare.findings.describe import WORDS, findings_table, leads
from towertap.compare.findings.model import Finding
from towertap.drawing.picture import Picture
from towertap.drawing.style import INK, PAPER, QUIET, VERDICTS, WASH, change_ticks, legend, new_figure
from towertap.words.numbers import brief, change_percent
from towertap.words.phrases import listed, sentence_case

ROW_IN = 0.38
WIDEST = 8.0
"""The axis goes no further than this ratio and its inverse; a wider interval runs out of the panel."""


def picture(comparison: Comparison) -> Picture:
    """A panel a metric with a row a road; or one panel with a row a metric, where there is one road."""
    findings = (*comparison.overall, *comparison.findings)
    if comparison.overall:
        metrics = dict.fromkeys(finding.metric for finding in findings)
        panels = [[finding for finding in findings if finding.metric == metric] for metric in metrics]
        drawn = [(_name(rows[0]), [(row.road, row) for row in rows]) for rows in panels]
    else:
        drawn = [(findings[0].road, [(_name(row), row) for row in findings])]
    reach = _reach(findings, comparison.margin)
    return Picture(
        "findings",
        title(comparison),
        f"Change with {comparison.after}, 95 % intervals. Thick: over the passes of these drives. Thin: of the part, "
        "with what installations and days may add; the verdict goes by that.",
        tuple(_panel(name, rows, reach, comparison.margin) for name, rows in drawn),
        findings_table(comparison.overall, comparison.findings),
    )


def title(comparison: Comparison) -> str:
    """What the findings say together, by verdict."""
    of_metrics = leads(comparison.overall, comparison.findings)
    by_verdict = {
        word: [brief(finding.label, 44) for finding in of_metrics if finding.verdict == verdict]
        for verdict, word in WORDS.items()
    }
    return sentence_case("; ".join(f"{word} in {listed(labels)}" for word, labels in by_verdict.items() if labels))


def _name(finding: Finding) -> str:
    return sentence_case(finding.label) + (", which decides" if finding.primary else "")


def _panel(name: str, rows: Sequence[tuple[str, Finding]], reach: float, margin: float) -> Figure:
    figure = new_figure(0.85 + ROW_IN * len(rows))
    axes = figure.subplots()
    axes.axvspan(1 / (1 + margin), 1 + margin, color=WASH, lw=0)
    axes.axvline(1.0, color=QUIET, lw=0.8)
    for place, (label, finding) in enumerate(rows):
        _row(axes, place, label, finding)
    axes.set_ylim(len(rows) - 0.55, -0.75)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")
    change_ticks(axes, "x", (1 / reach, reach))
    axes.set_title(brief(name, 48))
    widths = {"these drives": 3, "the part": 1}
    lines = [Line2D([], [], color=QUIET, lw=width, label=name) for name, width in widths.items()]
    legend(figure, [*lines, Patch(color=WASH, label=f"does not count: ±{100 * margin:g} %")], columns=3)
    return figure


def _row(axes: Axes, place: int, label: str, finding: Finding) -> None:
    look = VERDICTS[finding.verdict]
    if finding.part.interval is not None:
        axes.plot(finding.part.interval, [place] * 2, color=look.colour, lw=1, marker="|", ms=6)
    if finding.interval is not None:
        axes.plot(finding.interval, [place] * 2, color=look.colour, lw=3.2, solid_capstyle="butt")
    axes.plot(finding.ratio, place, marker=look.marker, ms=6.5, color=look.colour, mec=PAPER, mew=0.7)
    across, above = axes.get_yaxis_transform(), place - 0.4
    axes.text(0, above, brief(label, 34), transform=across, va="center", color=INK)
    words = f"{change_percent(finding.ratio, finding.interval)}  {finding.verdict}"
    axes.text(1, above, words, transform=across, va="center", ha="right", color=look.colour, weight="bold")


def _reach(findings: Sequence[Finding], margin: float) -> float:
    """Just wide enough for the intervals."""
    ends = [1 + 2 * margin]
    for finding in findings:
        for end in (finding.ratio, *(finding.interval or ()), *(finding.part.interval or ())):
            ends += [max(end, 1 / end)] if 0 < end < math.inf else []
    return min(WIDEST, 1.06 * max(ends))
