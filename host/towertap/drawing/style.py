"""The look of every picture: one type scale, and a palette for colour-blindness, print and dark screens."""

import io
import math
import re
import textwrap
import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, BinaryIO, Literal

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter, Locator, LogLocator, MaxNLocator, NullFormatter, NullLocator
from matplotlib.transforms import Bbox

from towertap.drawing.palette import PALETTE
from towertap.drawing.picture import DrawnPanel, DrawnPicture, Picture
from towertap.words.numbers import change_percent

_ON_PAPER = {name: colours[0] for name, colours in PALETTE.items()}
PAPER, INK, QUIET, FAINT, WASH, SHADE, MUTED = (_ON_PAPER[name] for name in list(PALETTE)[:7])

PANEL_IN = 4.1
"""Width of a panel: two or three side by side on a wide page, one on a phone, legible on both."""
DPI = 200
TITLE_PER_IN = 11.5
"""Characters of a title per inch, allowing for wide letters."""

RC: dict[Any, Any] = {
    "text.parse_math": False,
    "hatch.linewidth": 0.4,
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "text.color": INK,
    "axes.titlesize": 8.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titley": 1.0,
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
    "legend.handlelength": 1.6,
    "legend.columnspacing": 1.2,
    "svg.hashsalt": "towertap",
}
"""Matplotlib settings of all pictures, for `matplotlib.rc_context`."""


@dataclass(frozen=True)
class Look:
    """How a side or verdict is drawn; marker and line distinguish them without colour."""

    colour: str
    marker: str
    line: Any = "-"


SIDES: dict[Literal["before", "after"], Look] = {
    "before": Look(_ON_PAPER["before"], "o"),
    "after": Look(_ON_PAPER["after"], "D", (0, (5, 1.2))),
}
VERDICTS: dict[str, Look] = {
    "harsher": Look(_ON_PAPER["harsher"], ">"),
    "gentler": Look(_ON_PAPER["gentler"], "<"),
    "equivalent": Look(_ON_PAPER["equivalent"], "s"),
    "undecided": Look(_ON_PAPER["undecided"], "o"),
}


def new_figure(height_in: float, *, width_in: float = PANEL_IN, title: str = "") -> Figure:
    """An empty figure on the Agg canvas, without pyplot; a long title is wrapped."""
    figure = Figure(figsize=(width_in, height_in), layout="constrained", facecolor=PAPER)
    FigureCanvasAgg(figure)
    if title:
        lines = textwrap.fill(title, int(TITLE_PER_IN * width_in), break_on_hyphens=False)
        figure.suptitle(lines, x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    return figure


def legend(figure: Figure, handles: Iterable[Line2D | Patch], columns: int = 2) -> None:
    """A legend under the panel."""
    figure.legend(handles=list(handles), loc="outside lower left", ncols=columns)


def side_handles(**marks: Any) -> list[Line2D]:
    """Legend lines for before and after."""
    return [
        Line2D([], [], color=look.colour, ls=look.line, lw=1.2, label=side, **marks) for side, look in SIDES.items()
    ]


MOST_TICKS = 12


class Everyday(Locator):
    """Ticks at 1, 2 and 5 of each decade; decades only if those are too many, evenly spaced if too few."""

    def __call__(self) -> Any:
        assert self.axis is not None
        return self.tick_values(*self.axis.get_view_interval())

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """Ticks from `vmin` to `vmax`, both positive."""
        low, high = sorted((vmin, vmax))
        one_two_five, decades = LogLocator(subs=(1.0, 2.0, 5.0), numticks=99), LogLocator(numticks=MOST_TICKS)
        for locator in (one_two_five, decades, MaxNLocator(5, steps=[1, 2, 2.5, 5, 10])):
            ticks = [tick for tick in locator.tick_values(low, high) if low <= tick <= high]
            if 2 < len(ticks) <= MOST_TICKS:
                break
        return ticks


def log_ticks(axes: Axes, which: Literal["x", "y"]) -> None:
    """Plain numbers on a logarithmic axis."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(Everyday())
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())


CHANGES = (-95, -90, -80, -70, -50, -40, -30, -20, -10, 0, 10, 20, 30, 40, 50, 100, 200, 400, 900, 2000, 5000, 10000)
"""Round changes in percent, for the ticks of an axis of ratios."""


def change_ticks(axes: Axes, which: Literal["x", "y"], ends: tuple[float, float], most: int = 7) -> None:
    """A logarithmic axis of ratios between two `ends`, with about `most` ticks labelled as changes in percent.

    Round changes between them have ticks without a label.
    """
    axes.set(**{f"{which}scale": "log", f"{which}lim": ends})
    axis, apart = axes.xaxis if which == "x" else axes.yaxis, math.log(ends[1] / ends[0]) / most
    ticks, inside = [1.0], [1 + change / 100 for change in CHANGES if ends[0] <= 1 + change / 100 <= ends[1]]
    for tick in sorted(inside, key=lambda ratio: abs(math.log(ratio))):
        if all(abs(math.log(tick / other)) >= apart for other in ticks):
            ticks.append(tick)
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_major_formatter(FuncFormatter(lambda ratio, _: change_percent(ratio)))
    axis.set_minor_locator(FixedLocator(inside))
    axis.set_minor_formatter(NullFormatter())


WIDEST = 8.0
"""An axis of ratios shows every ratio, but intervals only up to this ratio and its inverse."""


def ratio_reach(ratios: Iterable[float], intervals: Iterable[tuple[float, float] | None], least: float) -> float:
    """The end of a symmetric axis of `ratios` and their `intervals`, `least` or more; its other end is the inverse."""
    ends = [end for limits in intervals for end in limits or () if 0 < end < math.inf]
    reach = [min(WIDEST, max(end, 1 / end)) for end in ends] + [max(ratio, 1 / ratio) for ratio in ratios]
    return 1.06 * max([least, *reach])


def draw(picture: Picture) -> DrawnPicture:
    """Draw the panels of a picture."""
    title, single = " ".join(picture.title.split()), len(picture.panels) == 1
    panels = []
    for number, panel in enumerate(picture.panels, start=1):
        name, png = picture.name if single else f"{picture.name}_{number}", io.BytesIO()
        panel.set_dpi(DPI)
        _lay_out(panel)
        save(panel, png)
        panels.append(DrawnPanel(name, svg(panel, name, title), png.getvalue()))
    return DrawnPicture(picture.name, title, picture.caption, tuple(panels), picture.data)


def _lay_out(panel: Figure) -> None:
    """Fit the axes to their labels once; left to `savefig`, each format would draw everything twice."""
    (axes, *others), engine = panel.axes, panel.get_layout_engine()
    panel.set_layout_engine(None)
    if others and engine:
        engine.execute(panel)
        return
    pad, renderer = 0.05 * DPI, FigureCanvasAgg(panel).get_renderer()
    inner, outer = axes.get_window_extent(), axes.get_tightbbox(renderer) or panel.bbox
    under = sum(box.get_window_extent(renderer).height for box in panel.legends)
    left, bottom = inner.x0 - outer.x0 + pad, inner.y0 - outer.y0 + pad + under
    right, top = panel.bbox.x1 - (outer.x1 - inner.x1) - pad, panel.bbox.y1 - (outer.y1 - inner.y1) - pad
    axes.set_position(Bbox([(left, bottom), (right, top)]).transformed(panel.transFigure.inverted()))


def save(figure: Figure, target: Path | BinaryIO) -> None:
    """Write the figure as PNG; a character that the font lacks is drawn as a box."""
    _write(figure, target, dpi=DPI, format="png", pil_kwargs={"compress_level": 1})


def _write(figure: Figure, target: Any, **options: Any) -> None:
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(target, **options)


TAG, LONG_NUMBER = re.compile(r"<[^>]+>"), re.compile(r"(?<![\w#.])-?\d+\.\d{3,}")
IDENTITY = re.compile(r'(\bid="|url\(#|href="#)')
COLOURS = {colours[0]: f"var(--{name})" for name, colours in PALETTE.items()}
COLOUR = re.compile("|".join(COLOURS))


def svg(figure: Figure, name: str, label: str) -> str:
    """The figure as an `svg` element, coloured by the properties of `palette.css`; text can be searched and copied.

    `name` makes its ids unique on the page; `label` describes it to those who cannot see it.
    """
    source = io.StringIO()
    with rc_context({"svg.fonttype": "none"}):
        _write(figure, source, format="svg", transparent=True, metadata={"Date": None})
    text = source.getvalue().split("</defs>", 1)[1]  # drop the header and style sheet, which would apply to the page
    width, height = 72 * figure.get_size_inches()
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img"'
    return f'{head} aria-label="{escape(label)}">\n{TAG.sub(lambda tag: _for_page(tag[0], name), text)}'


def _for_page(tag: str, name: str) -> str:
    """A tag with numbers rounded, ids made unique and colours from the palette."""
    tag = LONG_NUMBER.sub(lambda number: f"{float(number[0]):.2f}".rstrip("0").rstrip("."), tag)
    return COLOUR.sub(lambda colour: COLOURS[colour[0]], IDENTITY.sub(rf"\1{name}-", tag))
