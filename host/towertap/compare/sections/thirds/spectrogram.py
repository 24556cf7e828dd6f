"""The picture of a road by place and frequency: before, after, and the change."""

import math
import textwrap
from collections.abc import Iterator
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm, Normalize
from matplotlib.figure import Figure

from towertap.compare.sections.thirds.by_place import QUANTILES, Array, ByPlace, at_one_place, blank, most_changed
from towertap.compare.sections.thirds.figure import TICKS_HZ
from towertap.drawing.style import QUIET, SIDES, WASH, new_figure
from towertap.words.numbers import along, brief, growth, growth_range
from towertap.words.table import Table, joined, of_columns

LEVELS, RATIOS = "cividis", "PuOr_r"
"""Colour maps, one from dark to light and one diverging from 1, both safe for colour-blindness."""
DARKEST = 2.0
"""Percentile of levels that gets the darkest colour, so that quiet cells do not use up the scale."""
LARGEST_RATIO = 4.0
BESIDE = (1.02, 0.0, 0.03, 1.0)
"""Position of a colour bar in axes coordinates."""
CHANGES = {0.25: "−75 %", 0.5: "−50 %", 1: "0", 2: "+100 %", 4: "+300 %"}


def panels(road: ByPlace, has_pair: bool) -> list[Figure]:
    """If `has_pair`, before and after on one scale; then their ratio if the passes are aligned."""
    return [*(_pair(road) if has_pair else ()), *([_changes(road)] if road.ratios.size else ())]


def _pair(road: ByPlace) -> Iterator[Figure]:
    shown = np.concatenate([road.before.ravel(), road.after.ravel()])
    shown = shown[np.isfinite(shown)]
    scale = Normalize(np.percentile(shown, DARKEST), shown.max())
    for side, name, levels in zip(SIDES, road.passes, (road.before, road.after), strict=True):
        figure = new_figure(2.7)
        axes = figure.subplots()
        mesh = _mesh(axes, road, road.edges_s, levels, LEVELS, scale)
        axes.set_title(f"{side}: {brief(name, 44)}")
        bar = figure.colorbar(mesh, cax=axes.inset_axes(BESIDE))
        bar.set_label("level, dB re 10⁻⁶ m/s²")
        yield figure


def title(road: ByPlace) -> str:
    """How the third-octave that changed most changed along the road."""
    most, name = most_changed(road.bands), brief(road.bands.road)
    if most is None:
        return f"{name} by place and frequency: no third-octave shows a change over the complete road"
    if not road.ratios.size:
        return f"{name} by time and frequency: changed most at {most.name}, {growth(most.ratio)}"
    places = growth_range(*np.quantile(road.ratios[road.bands.thirds.index(most)], QUANTILES))
    if (place_s := at_one_place(road)) is not None:
        return f"{name}: most of the change at {most.name} is at one place, at {place_s:.0f} s; elsewhere {places}"
    return f"{name}: at {most.name}, where it changed most, {places} along the road"


def data(road: ByPlace, has_pair: bool) -> Table:
    """The levels of the pair, or without one the ratios, a column per band."""
    if not has_pair:
        ratios = {f"{band.name}, ×": row for band, row in zip(road.bands.thirds, road.ratios, strict=True)}
        starts_s, ends_s = road.places_s.T
        return of_columns(
            "Third-octaves along the road, after / before", {"from, s": starts_s, "to, s": ends_s, **ratios}
        )
    tables = []
    for side, levels in zip(SIDES, (road.before, road.after), strict=True):
        bands = {f"{band.name}, dB": row for band, row in zip(road.bands.thirds, levels, strict=True)}
        place: dict[str, Any] = {"side": [side] * levels.shape[1], "from, s": road.edges_s[:-1]}
        tables.append(of_columns("", {**place, **bands}))
    return joined("Third-octave levels along the road", tables)


def _mesh(axes: Axes, road: ByPlace, edges_s: Array, values: Array, colours: str, scale: Normalize) -> ScalarMappable:
    """Draw bands by place; returns the mesh for the colour bar."""
    edges = [band.edges_hz[0] for band in road.bands.thirds] + [road.bands.thirds[-1].edges_hz[1]]
    axes.set_facecolor(WASH)
    mesh = axes.pcolormesh(edges_s, edges, np.ma.masked_invalid(values), cmap=mpl.colormaps[colours], norm=scale)
    mesh.set_rasterized(True)
    axes.set_yscale("log")
    axes.set_ylim(edges[0], edges[-1])
    axes.set_xlim(road.edges_s[0], road.edges_s[-1])
    mids = {band.name.removesuffix(" Hz"): math.sqrt(math.prod(band.edges_hz)) for band in road.bands.thirds}
    shown = [name for name in TICKS_HZ if name in mids]
    axes.set_yticks([mids[name] for name in shown], labels=shown)
    axes.set_yticks([], minor=True)
    axes.set_ylabel("third-octave, Hz")
    place = along(road.reference) if road.reference else "time from the start of each recording, s (not aligned)"
    axes.set_xlabel(textwrap.fill(place, 44, break_on_hyphens=False))
    return mesh


def _changes(road: ByPlace) -> Figure:
    figure = new_figure(2.7)
    axes = figure.subplots()
    mesh = _mesh(axes, road, *blank(road.places_s, road.ratios), RATIOS, LogNorm(1 / LARGEST_RATIO, LARGEST_RATIO))
    for band in (band for band in road.bands.thirds if band.judged == "not judged"):
        axes.axhspan(*band.edges_hz, fc="none", ec=QUIET, hatch="////", lw=0)
    before, after = road.bands.passes
    axes.set_title(f"{brief(road.bands.road, 16)}: change, {before} before, {after} after")
    bar = figure.colorbar(mesh, cax=axes.inset_axes(BESIDE), extend="both", ticks=list(CHANGES))
    bar.ax.set_yticklabels(list(CHANGES.values()))
    bar.ax.set_yticks([], minor=True)
    return figure
