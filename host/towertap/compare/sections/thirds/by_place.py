"""A road by place and frequency: third-octave levels of one pass per side, and the ratio of the sides."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import CELL_S, Pass
from towertap.compare.road.places import PLACE_S, Places, at_stretches
from towertap.compare.sections.thirds.bands import BandChange, RoadBands

Array = NDArray[np.float64]

COLUMNS = 600
"""Most columns of a spectrogram, however long the passes are."""
QUANTILES = (0.1, 0.9)
"""The range of changes along a road is given between these quantiles of its places."""
REFERENCE_MS2 = 1e-6
"""Reference of acceleration levels in decibels, ISO 1683."""


@dataclass(frozen=True, eq=False)
class ByPlace:
    """Levels of one pass `before` and one `after`, (bands, columns), in dB re 1e-6 m/s², NaN outside the pass.

    `edges_s` (columns + 1,) bound the columns, in seconds of the pass `reference`, or of each pass itself if that is
    None. `ratios` (bands, places) are after / before of the geometric means over all passes, at the places `places_s`
    (places, 2); both are empty if the passes are not aligned. `passes` names the two passes.
    """

    bands: RoadBands
    passes: tuple[str, str]
    reference: str | None
    edges_s: Array
    before: Array
    after: Array
    places_s: Array
    ratios: Array


def by_place(bands: RoadBands, aligned: Places | None, before: Pass, after: Pass) -> ByPlace:
    """Two passes over a road, and the ratio over all passes, along the aligned road."""
    metrics = [band.metric for band in bands.thirds]
    bounds = [_bounds_s(drive, aligned) for drive in (before, after)]
    start, end = min(cells[0, 0] for cells in bounds), max(cells[-1, 1] for cells in bounds)
    grid = np.linspace(start, end, 1 + min(COLUMNS, max(1, round((end - start) / CELL_S))))
    stretches = np.column_stack([grid[:-1], grid[1:]])
    with np.errstate(divide="ignore"):  # an empty cell has no level
        levels = [
            20 * np.log10(np.array([at_stretches(drive, name, cells, stretches) for name in metrics]) / REFERENCE_MS2)
            for drive, cells in zip((before, after), bounds, strict=True)
        ]
    return ByPlace(
        bands=bands,
        passes=(before.name, after.name),
        reference=aligned.alignment.reference if aligned else None,
        edges_s=grid,
        before=levels[0],
        after=levels[1],
        places_s=aligned.edges_s if aligned else np.empty((0, 2)),
        ratios=_ratios(aligned, metrics) if aligned else np.empty((len(metrics), 0)),
    )


def _bounds_s(drive: Pass, places: Places | None) -> Array:
    """Start and end (n, 2) of each cell along the road, or in the pass's own time."""
    if places is not None:
        return places.bounds_s[[other.name for other in places.passes].index(drive.name)]
    starts_s = drive.cells["start_s"]
    return np.column_stack([starts_s, starts_s + CELL_S])


def _ratios(places: Places, metrics: Sequence[str]) -> Array:
    """After / before of the geometric means over passes, (bands, places)."""
    after = np.array([drive.side == "after" for drive in places.passes])
    logs = np.log([places.levels(name) for name in metrics])
    ratios: Array = np.exp(logs[:, after].mean(axis=1) - logs[:, ~after].mean(axis=1))
    return ratios


def at_one_place(road: ByPlace) -> float | None:
    """Position in s of the single place that causes most of the largest change; None if there is no such place.

    All other places must show less than half of that change, on logarithms.
    """
    most = most_changed(road.bands)
    if most is None or road.ratios.shape[1] < 2:
        return None
    changes = np.log(road.ratios[road.bands.thirds.index(most)]) * math.copysign(1.0, math.log(most.ratio))
    second, largest = np.sort(changes)[-2:]
    if second >= most.size / 2 or largest < most.size:
        return None
    return float(road.places_s[int(np.argmax(changes))].mean())


def most_changed(road: RoadBands) -> BandChange | None:
    """The third-octave with the largest change that is shown."""
    return max((band for band in road.thirds if band.shown), key=lambda band: band.size, default=None)


def blank(places_s: Array, ratios: Array) -> tuple[Array, Array]:
    """Edges (n + 1,) and ratios (bands, n), with a column of NaN wherever places do not touch."""
    edges, columns = [places_s[0, 0]], []
    for (start, end), column in zip(places_s, ratios.T, strict=True):
        if start > edges[-1] + PLACE_S / 2:
            edges.append(start)
            columns.append(np.full(len(ratios), np.nan))
        edges.append(end)
        columns.append(column)
    return np.array(edges), np.array(columns).T
