"""The picture of the change in every third-octave and wide band of a road, with joint intervals."""

import math
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.sections.thirds.bands import BandChange, RoadBands
from towertap.drawing.style import (
    FAINT,
    INK,
    MUTED,
    PAPER,
    QUIET,
    SHADE,
    VERDICTS,
    WASH,
    Look,
    change_ticks,
    legend,
    new_figure,
)
from towertap.signals.bands import NOMINAL, edges_hz
from towertap.words.numbers import brief, change_percent

WIDEST = 10.0
"""The axis shows every judged ratio, but intervals only up to this ratio and its inverse."""

SHOWN: dict[int, Look] = {1: Look(VERDICTS["harsher"].colour, "^"), -1: Look(VERDICTS["gentler"].colour, "v")}
NOT_SHOWN, NOT_JUDGED = Look(INK, "o"), Look(MUTED, "x")
TICKS_HZ = ("5", "10", "20", "40", "80", "160", "315")


def panels(roads: Sequence[RoadBands], margin: float) -> list[Figure]:
    """A panel per road, all with the same axes; `margin` is the change that counts, as a fraction."""
    ends = _ends(roads, margin)
    return [_panel(road, margin, ends) for road in roads]


def _panel(road: RoadBands, margin: float, ends: tuple[float, float]) -> Figure:
    figure = new_figure(3.3)
    axes = figure.subplots()
    axes.axhspan(1 / (1 + margin), 1 + margin, color=WASH, lw=0)
    axes.axhline(1.0, color=QUIET, lw=0.8)
    for band in road.wide:
        _wide(axes, band)
    for band in road.thirds:
        _third(axes, band)
    if beyond := [band for band in road.thirds if band.beyond]:
        axes.axvspan(beyond[0].edges_hz[0], beyond[-1].edges_hz[1], fc="none", ec=FAINT, hatch="////", lw=0)
        words = "beyond what the\nmounting carries"
        axes.annotate(words, (0.99, 0.02), xycoords="axes fraction", ha="right", va="bottom", fontsize=7.5, color=QUIET)
    change_ticks(axes, "y", ends, most=9)
    axes.set_xscale("log")
    axes.set_xlim(edges_hz(NOMINAL[0])[0], edges_hz(NOMINAL[-1])[1])
    axes.set_xticks([math.sqrt(math.prod(edges_hz(name))) for name in TICKS_HZ], labels=TICKS_HZ)
    axes.set_xticks([], minor=True)
    axes.set_xlabel("mid-band frequency of the third-octave, Hz")
    axes.set_title(f"{brief(road.road)}: change of vertical acceleration")
    axes.grid(axis="y")
    _outside(axes, road, *ends)
    marks = {"shown higher": SHOWN[1], "shown lower": SHOWN[-1], "not shown": NOT_SHOWN, "sensor noise": NOT_JUDGED}
    handles: list[Line2D | Patch] = [
        Line2D(
            [], [], color=look.colour, marker=look.marker, mfc=PAPER if look is NOT_SHOWN else look.colour, label=name
        )
        for name, look in marks.items()
    ]
    wide = Patch(color=SHADE, label="wide band")
    legend(figure, [*handles, wide, Patch(color=WASH, label=f"within ±{100 * margin:g} %")], columns=3)
    return figure


def _wide(axes: Axes, band: BandChange) -> None:
    low, high = band.interval or (band.ratio, band.ratio)
    if band.judged == "not judged":
        axes.fill_between(band.edges_hz, low, high, fc="none", ec=NOT_JUDGED.colour, ls=":", lw=1.0)
        axes.plot(band.edges_hz, [band.ratio] * 2, color=NOT_JUDGED.colour, lw=1.2, ls=":")
        return
    axes.fill_between(band.edges_hz, low, high, color=SHADE, alpha=0.55, lw=0)
    axes.plot(band.edges_hz, [band.ratio] * 2, color=QUIET, lw=1.2)


def _outside(axes: Axes, road: RoadBands, low: float, high: float) -> None:
    """An arrow at the edge, with its number, for each ratio outside the axis; only bands that are not judged."""
    for band in (band for band in (*road.thirds, *road.wide) if not low <= band.ratio <= high):
        is_above, edge = band.ratio > high, axes.get_xaxis_transform()
        tip = (math.sqrt(math.prod(band.edges_hz)), float(is_above))
        axes.plot(*tip, marker="^" if is_above else "v", ms=5, color=NOT_JUDGED.colour, transform=edge, clip_on=False)
        axes.annotate(
            change_percent(band.ratio),
            tip,
            (3, -5 if is_above else 5),
            xycoords=edge,
            textcoords="offset points",
            rotation=90,
            va="top" if is_above else "bottom",
            fontsize=7.5,
            color=QUIET,
        )


def _third(axes: Axes, band: BandChange) -> None:
    is_noise = band.judged == "not judged"
    look = NOT_JUDGED if is_noise else SHOWN.get(band.shown, NOT_SHOWN)
    mid_hz = math.sqrt(math.prod(band.edges_hz))
    if band.interval:
        axes.plot([mid_hz] * 2, band.interval, color=look.colour, lw=1.4, ls=":" if is_noise else "-")
    fill = look.colour if band.shown or is_noise else PAPER
    axes.plot(mid_hz, band.ratio, marker=look.marker, ms=4.5, color=look.colour, mfc=fill, ls="")


def _ends(roads: Sequence[RoadBands], margin: float) -> tuple[float, float]:
    """Ends of the axis, just wide enough for what is judged."""
    judged = [band for road in roads for band in (*road.thirds, *road.wide) if band.judged != "not judged"]
    ends = [min(max(end, 1 / WIDEST), WIDEST) for band in judged for end in band.interval or ()]
    ends += [band.ratio for band in judged]
    return min([*ends, 1 / (1 + 2 * margin)]) / 1.08, max([*ends, 1 + 2 * margin]) * 1.08
