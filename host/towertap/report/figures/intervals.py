"""The picture of the findings: each change with its intervals, for these drives and the part, and the margin."""

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.comparison import Comparison
from towertap.compare.findings.describe import WORDS, by_metric, findings_table, interval_of_part
from towertap.compare.findings.model import Finding
from towertap.drawing.picture import Picture
from towertap.drawing.style import INK, PAPER, QUIET, VERDICTS, WASH, change_ticks, legend, new_figure, ratio_reach
from towertap.words.numbers import brief, change_percent
from towertap.words.phrases import listed, sentence_case

ROW_IN, HEADING_IN, AXIS_IN = 0.36, 0.34, 0.62
MOST_ROWS = 24
"""Most rows of a panel, so that it fits on paper."""

Group = tuple[str, list[tuple[str, Finding]]]
"""A heading, and the labelled findings under it."""


def picture(comparison: Comparison) -> Picture:
    """A row per road under each metric, or with one road, a row per metric."""
    findings = (*comparison.overall, *comparison.findings)
    if comparison.overall:
        groups = [(_name(rows[0]), [(row.road, row) for row in rows]) for rows in by_metric(findings)]
    else:
        groups = [(findings[0].road, [(_name(row), row) for row in findings])]
    limits = [limits for finding in findings for limits in (finding.interval, finding.part.interval)]
    reach = ratio_reach((finding.ratio for finding in findings), limits, 1 + 2 * comparison.margin)
    has_equivalent = any(finding.verdict == "equivalent" for finding in findings)
    level_90 = " (90 % for no change that counts)" if has_equivalent else ""
    return Picture(
        "findings",
        title(comparison),
        f"Change with {comparison.drives.after}, 95 % intervals{level_90}. The verdict follows the thin line: the "
        "interval for the part, including what installations and days may add.",
        tuple(_panel(panel_groups, reach, comparison.margin) for panel_groups in _panels(groups)),
        findings_table(comparison.overall, comparison.findings),
    )


def _panels(groups: Sequence[Group]) -> list[list[Group]]:
    """The groups, divided into panels of at most MOST_ROWS."""
    panels: list[list[Group]] = [[]]
    for heading, rows in groups:
        for first in range(0, len(rows), MOST_ROWS):
            part = rows[first : first + MOST_ROWS]
            if sum(len(findings) for _, findings in panels[-1]) + len(part) > MOST_ROWS:
                panels.append([])
            panels[-1].append((heading, part))
    return panels


def title(comparison: Comparison) -> str:
    """The verdicts, each with its metrics."""
    by_verdict = {
        word: [brief(finding.label, 44) for finding in comparison.leads if finding.verdict == verdict]
        for verdict, word in WORDS.items()
    }
    return sentence_case("; ".join(f"{word} in {listed(labels)}" for word, labels in by_verdict.items() if labels))


def _name(finding: Finding) -> str:
    return sentence_case(finding.label) + (", which decides" if finding.primary else "")


def _panel(groups: Sequence[Group], reach: float, margin: float) -> Figure:
    rows = sum(len(findings) for _, findings in groups)
    figure = new_figure(AXIS_IN + HEADING_IN * len(groups) + ROW_IN * rows)
    axes = figure.subplots()
    axes.axvspan(1 / (1 + margin), 1 + margin, color=WASH, lw=0)
    axes.axvline(1.0, color=QUIET, lw=0.8)
    place_in = 0.0
    across = axes.get_yaxis_transform()
    for heading, findings in groups:
        place_in += HEADING_IN
        axes.text(0, place_in, brief(heading, 48), transform=across, va="bottom", color=INK, weight="bold")
        for label, finding in findings:
            place_in += ROW_IN
            _row(axes, place_in, label, finding)
    axes.set_ylim(place_in + ROW_IN / 2, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")
    change_ticks(axes, "x", (1 / reach, reach), most=9)
    widths = {"these drives": 3, "the part": 1}
    lines = [Line2D([], [], color=QUIET, lw=width, label=name) for name, width in widths.items()]
    legend(figure, [*lines, Patch(color=WASH, label=f"does not count: ±{100 * margin:g} %")], columns=3)
    return figure


def _row(axes: Axes, place: float, label: str, finding: Finding) -> None:
    look = VERDICTS[finding.verdict]
    if (part_interval := interval_of_part(finding)) is not None:
        axes.plot(part_interval, [place] * 2, color=look.colour, lw=1, marker="|", ms=6)
    if finding.interval is not None:
        axes.plot(finding.interval, [place] * 2, color=look.colour, lw=3.2, solid_capstyle="butt")
    axes.plot(finding.ratio, place, marker=look.marker, ms=6.5, color=look.colour, mec=PAPER, mew=0.7)
    across, above = axes.get_yaxis_transform(), place - 0.42 * ROW_IN
    axes.text(0, above, brief(label, 34), transform=across, va="center", color=INK)
    words = f"{change_percent(finding.ratio, finding.interval)}  {WORDS[finding.verdict]}"
    axes.text(1, above, words, transform=across, va="center", ha="right", color=look.colour, weight="bold")
