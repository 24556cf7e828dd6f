"""Figure: the ratio after / before in every third-octave and wide band of a road, with intervals that hold together."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towertap.compare.sections.thirds.bands import BandChange, RoadBands
from towertap.drawing.style import FAINT, INK, QUIET, VERDICTS, Look, new_figure
from towertap.signals.bands import NOMINAL, edges_hz
from towertap.words.numbers import brief, number
from towertap.words.phrases import counted

WIDEST = 10.0
"""For an interval the axis goes no further than this ratio and its inverse; it holds every ratio that is judged."""
WIDE = "#c9d1d8"

SHOWN: dict[int, Look] = {1: Look(VERDICTS["harsher"].colour, "^"), -1: Look(VERDICTS["gentler"].colour, "v")}
NOT_SHOWN, NOT_JUDGED = Look(INK, "o"), Look("#a3adb6", "x")
TICKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 1, 1.1, 1.25, 1.5, 2, 3, 5, 10, 20, 50, 100)


def draw(roads: Sequence[RoadBands], margin: float) -> Figure:
    """Draw one panel a road, all on the same axes; `margin` is the change that counts, as a fraction."""
    figure = new_figure(8.6, 1.0 + 2.7 * max(1, len(roads)), title(roads))
    panels = figure.subplots(max(1, len(roads)), 1, squeeze=False, sharex=True, sharey=True)[:, 0]
    for axes, road in zip(panels, roads, strict=False):
        axes.axhspan(1 / (1 + margin), 1 + margin, color="#e6ebf0", lw=0)
        axes.axhline(1.0, color=QUIET, lw=0.8)
        _panel(axes, road)
    low, high = _axes(panels[-1], roads, margin)
    for axes, road in zip(panels, roads, strict=False):
        _outside(axes, road, low, high)
    handles = [
        Line2D([], [], color=SHOWN[1].colour, marker="^", label="shown higher"),
        Line2D([], [], color=SHOWN[-1].colour, marker="v", label="shown lower"),
        Line2D([], [], color=NOT_SHOWN.colour, marker="o", mfc="white", label="not shown"),
        Line2D([], [], color=NOT_JUDGED.colour, marker="x", ls=":", label="not judged: sensor noise"),
        Patch(color=WIDE, label="wide band"),
        Patch(color="#e6ebf0", label=f"margin ±{margin:.0%}"),
    ]
    figure.legend(handles=handles, loc="outside lower left", ncols=6, handlelength=1.5, columnspacing=1.2)
    return figure


def title(roads: Sequence[RoadBands]) -> str:
    """The third-octave that is shown to have changed most, on each road."""
    changes = []
    for road in roads:
        most = most_changed(road)
        changes.append(f"{brief(road.road, 24)} {f'{most.name}, × {number(most.ratio)}' if most else 'none shown'}")
    return (
        "Most changed third-octave: " + "; ".join(changes) if changes else "No road has third-octaves before and after"
    )


def most_changed(road: RoadBands) -> BandChange | None:
    """The third-octave with the largest change of those that show one."""
    return max((band for band in road.thirds if band.shown), key=lambda band: abs(math.log(band.ratio)), default=None)


def _panel(axes: Axes, road: RoadBands) -> None:
    for band in road.wide:
        _wide(axes, band)
    for band in road.thirds:
        _third(axes, band)
    beyond = [band for band in road.thirds if band.beyond]
    if beyond:
        axes.axvspan(beyond[0].edges_hz[0], beyond[-1].edges_hz[1], fc="none", ec=FAINT, hatch="////", lw=0)
        axes.text(
            beyond[-1].edges_hz[1],
            0.02,
            "beyond what the mounting carries",
            transform=axes.get_xaxis_transform(),
            ha="right",
            va="bottom",
            fontsize=7.5,
            color=QUIET,
        )
    passes = f"{road.passes[0]} and {counted(road.passes[1], 'pass')}"
    over = f"{counted(road.places, 'place')} that all cover" if road.places else "whole passes"
    axes.set_title(f"{brief(road.road)}: r.m.s. vertical acceleration, {passes}, over {over}")
    axes.set_ylabel("ratio after / before (no unit)")
    axes.grid(axis="y")


def _wide(axes: Axes, band: BandChange) -> None:
    low, high = band.interval or (band.ratio, band.ratio)
    if band.judged == "not judged":
        axes.fill_between(band.edges_hz, low, high, fc="none", ec=NOT_JUDGED.colour, ls=":", lw=1.0)
        axes.plot(band.edges_hz, [band.ratio] * 2, color=NOT_JUDGED.colour, lw=1.2, ls=":")
        return
    axes.fill_between(band.edges_hz, low, high, color=WIDE, alpha=0.55, lw=0)
    axes.plot(band.edges_hz, [band.ratio] * 2, color=QUIET, lw=1.2)


def _outside(axes: Axes, road: RoadBands, low: float, high: float) -> None:
    """An arrow at the edge, with its number, for each band whose ratio the axis does not hold: none that is judged."""
    for band in (band for band in (*road.thirds, *road.wide) if not low <= band.ratio <= high):
        at, above = (math.sqrt(math.prod(band.edges_hz)), float(band.ratio > high)), band.ratio > high
        edge = axes.get_xaxis_transform()
        axes.plot(*at, marker="^" if above else "v", ms=5, color=NOT_JUDGED.colour, transform=edge, clip_on=False)
        axes.annotate(
            f"× {number(band.ratio)}",
            at,
            (3, -5 if above else 5),
            xycoords=edge,
            textcoords="offset points",
            rotation=90,
            va="top" if above else "bottom",
            fontsize=7.5,
            color=QUIET,
        )


def _third(axes: Axes, band: BandChange) -> None:
    drowned = band.judged == "not judged"
    look = NOT_JUDGED if drowned else SHOWN.get(band.shown, NOT_SHOWN)
    mid_hz = math.sqrt(math.prod(band.edges_hz))
    if band.interval:
        axes.plot([mid_hz] * 2, band.interval, color=look.colour, lw=1.4, ls=":" if drowned else "-")
    fill = look.colour if band.shown or drowned else "white"
    axes.plot(mid_hz, band.ratio, marker=look.marker, ms=5.5, color=look.colour, mfc=fill, ls="")


def _axes(axes: Axes, roads: Sequence[RoadBands], margin: float) -> tuple[float, float]:
    """Logarithmic both ways, just wide enough for what is judged, ticks at nominal mid-bands and everyday ratios.

    Returns the ends of the axis of ratios.
    """
    judged = [band for road in roads for band in (*road.thirds, *road.wide) if band.judged != "not judged"]
    ends = [min(max(end, 1 / WIDEST), WIDEST) for band in judged for end in band.interval or ()]
    ends += [band.ratio for band in judged]
    low, high = min([*ends, 1 / (1 + 2 * margin)]) / 1.08, max([*ends, 1 + 2 * margin]) * 1.08
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(edges_hz(NOMINAL[0])[0], edges_hz(NOMINAL[-1])[1])
    axes.set_ylim(low, high)
    apart = 0.045 * math.log(high / low)
    ticks = [1.0]
    for tick in sorted((tick for tick in TICKS if low <= tick <= high), key=lambda tick: abs(math.log(tick))):
        if all(abs(math.log(tick / other)) >= apart for other in ticks):
            ticks.append(tick)
    axes.set_yticks(ticks, labels=[f"{tick:g}" for tick in ticks])
    axes.set_yticks([], minor=True)
    mids_hz = [float(np.sqrt(np.prod(edges_hz(nominal)))) for nominal in NOMINAL]
    axes.set_xticks(mids_hz, labels=NOMINAL)
    axes.set_xticks([], minor=True)
    axes.tick_params(axis="x", labelsize=7.5)
    axes.set_xlabel("mid-band frequency of the third-octave, Hz")
    return low, high
