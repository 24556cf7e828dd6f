"""Figure: a road by place and frequency, before, after, and the ratio of the two."""

from __future__ import annotations

import math

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.colors import LogNorm, Normalize
from matplotlib.figure import Figure

from towertap.compare.sections.thirds.by_place import Array, ByPlace, blank
from towertap.compare.sections.thirds.figure import most_changed
from towertap.drawing.style import QUIET, SIDES, new_figure
from towertap.words.numbers import along, brief, number

LEVELS, RATIOS = "cividis", "PuOr_r"
"""Colour maps: one that runs evenly from dark to light, one that parts at 1; both told apart by the colour-blind."""
NOWHERE = "#eef1f4"
DARKEST = 2.0
"""Percentile of the levels below which all is darkest, so that quiet cells do not take the scale."""
LARGEST_RATIO = 4.0
TICKS_HZ = ("5", "10", "20", "40", "80", "160", "315")


def draw(road: ByPlace) -> Figure:
    """Draw before above after on one scale, and beneath them their ratio where the passes are aligned."""
    rows = 3 if road.ratios.size else 2
    figure = new_figure(8.6, 0.8 + 2.1 * rows, title(road))
    panels = figure.subplots(rows, 1, sharex=True, sharey=True)
    both = np.concatenate([road.before.ravel(), road.after.ravel()])
    both = both[np.isfinite(both)]
    scale = Normalize(np.percentile(both, DARKEST), both.max())
    for axes, side, name, levels in zip(panels, SIDES, road.passes, (road.before, road.after), strict=False):
        mesh = _mesh(axes, road, road.edges_s, levels, LEVELS, scale)
        axes.set_title(f"{side}: {brief(name, 60)}", color=SIDES[side].colour)
    bar = figure.colorbar(mesh, ax=panels[:2], pad=0.01, aspect=30)
    bar.set_label("third-octave level, dB re 10⁻⁶ m/s²")
    if road.ratios.size:
        _ratios(figure, panels[2], road)
    panels[-1].set_xlabel(
        along(road.reference)
        if road.reference
        else "time from the start of each recording, s (not aligned: the same second is not the same road)"
    )
    return figure


def title(road: ByPlace) -> str:
    """How the third-octave that changed most did so along the road."""
    most, name = most_changed(road.bands), brief(road.bands.road)
    if most is None:
        return f"{name} by place and frequency: no third-octave shows a change"
    if not road.ratios.size:
        return f"{name} by time and frequency: changed most at {most.name}, × {number(most.ratio)}"
    low, high = np.quantile(road.ratios[road.bands.thirds.index(most)], [0.1, 0.9])
    return (
        f"{name}: changed most at {most.name}, × {number(low, 2)} to {number(high, 2)} along the road "
        "(10 % to 90 % of its places)"
    )


def _mesh(axes: Axes, road: ByPlace, edges_s: Array, values: Array, colours: str, scale: Normalize) -> QuadMesh:
    """One panel of bands by place; the mesh is for its colour bar."""
    edges = [band.edges_hz[0] for band in road.bands.thirds] + [road.bands.thirds[-1].edges_hz[1]]
    axes.set_facecolor(NOWHERE)
    mesh = axes.pcolormesh(edges_s, edges, np.ma.masked_invalid(values), cmap=mpl.colormaps[colours], norm=scale)
    mesh.set_rasterized(True)
    axes.set_yscale("log")
    axes.set_ylim(edges[0], edges[-1])
    mids = {band.name.removesuffix(" Hz"): math.sqrt(math.prod(band.edges_hz)) for band in road.bands.thirds}
    shown = [name for name in TICKS_HZ if name in mids]
    axes.set_yticks([mids[name] for name in shown], labels=shown)
    axes.set_yticks([], minor=True)
    axes.set_ylabel("third-octave, Hz")
    return mesh


def _ratios(figure: Figure, axes: Axes, road: ByPlace) -> None:
    edges_s, ratios = blank(road.places_s, road.ratios)
    mesh = _mesh(axes, road, edges_s, ratios, RATIOS, LogNorm(1 / LARGEST_RATIO, LARGEST_RATIO))
    for band in (band for band in road.bands.thirds if band.judged == "not judged"):
        axes.axhspan(*band.edges_hz, fc="none", ec=QUIET, hatch="////", lw=0)
    counts = " and ".join(map(str, road.bands.passes))
    axes.set_title(f"after / before, geometric means over {counts} passes, place by place (hatched: sensor noise)")
    bar = figure.colorbar(mesh, ax=axes, pad=0.01, aspect=14, extend="both", ticks=[0.25, 0.5, 1, 2, 4])
    bar.ax.set_yticklabels(["¼", "½", "1", "2", "4"])
    bar.ax.set_yticks([], minor=True)
    bar.set_label("ratio (no unit)")
