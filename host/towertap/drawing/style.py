"""How every figure looks: one type scale, and a palette that survives colour-blindness and a black-and-white print."""

from __future__ import annotations

import textwrap
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, Locator, LogLocator, MaxNLocator, NullFormatter, NullLocator

INK, QUIET, FAINT = "#1f2933", "#5f6b76", "#d5dadf"
DPI = 160
TITLE_PER_IN = 11.5
"""Letters of a title to the inch, few enough for wide ones."""

RC: dict[Any, Any] = {
    "text.parse_math": False,
    "hatch.linewidth": 0.4,
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "text.color": INK,
    "axes.titlesize": 8.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelcolor": QUIET,
    "axes.labelsize": 8,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.frameon": False,
    "legend.fontsize": 8,
}
"""Matplotlib settings of all figures; used through `matplotlib.rc_context`."""


@dataclass(frozen=True)
class Look:
    """How one side or verdict is drawn; shape and line tell them apart where colour does not."""

    colour: str
    marker: str
    line: Any = "-"


SIDES: dict[Literal["before", "after"], Look] = {
    "before": Look("#0072b2", "o"),
    "after": Look("#d55e00", "D", (0, (5, 1.2))),
}
"""Blue and vermilion of Okabe and Ito's palette (2008)."""

VERDICTS: dict[str, Look] = {
    "harsher": Look("#a8430a", ">"),
    "gentler": Look("#00735a", "<"),
    "equivalent": Look("#004d80", "s"),
    "undecided": Look("#6b7680", "o"),
}


def new_figure(width_in: float, height_in: float, title: str) -> Figure:
    """An empty figure on the Agg canvas, without pyplot; its title says the finding, in as many lines as it takes."""
    figure = Figure(figsize=(width_in, height_in), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    lines = textwrap.fill(title, int(TITLE_PER_IN * width_in), break_on_hyphens=False)
    figure.suptitle(lines, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure


MOST_TICKS = 12


class Everyday(Locator):
    """1, 2 and 5 of each decade in view; decades where those are too many, evenly spaced numbers where too few."""

    def __call__(self) -> Any:
        assert self.axis is not None
        return self.tick_values(*self.axis.get_view_interval())

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """The ticks from `vmin` to `vmax`, both positive."""
        low, high = sorted((vmin, vmax))
        one_two_five, decades = LogLocator(subs=(1.0, 2.0, 5.0), numticks=99), LogLocator(numticks=MOST_TICKS)
        for locator in (one_two_five, decades, MaxNLocator(5, steps=[1, 2, 2.5, 5, 10])):
            ticks = [tick for tick in locator.tick_values(low, high) if low <= tick <= high]
            if 2 < len(ticks) <= MOST_TICKS:
                break
        return ticks


def log_ticks(axes: Axes, which: str) -> None:
    """Plain numbers on a logarithmic axis, `which` being "x" or "y"."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(Everyday())
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())


def save(figure: Figure, target: Path | BinaryIO) -> None:
    """Write the figure as PNG; a sign that the font lacks is drawn as a box."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(target, dpi=DPI, format="png")
