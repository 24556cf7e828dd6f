"""Picture: the passes over each rough road by place, as they are aligned."""

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from towertap.compare.road.places import Places
from towertap.drawing.style import SIDES, legend, new_figure, side_handles
from towertap.words.numbers import along, brief
from towertap.words.table import Table, joined, of_columns


def panel(places: Places) -> Figure:
    """A road's fingerprints of all passes by place."""
    figure = new_figure(2.6)
    axes = figure.subplots()
    for number, (drive, fingerprint) in enumerate(zip(places.passes, places.prints, strict=True)):
        at, look = _place_s(places, number, _time_s(places, fingerprint.size)), SIDES[drive.side]
        axes.plot(at, fingerprint, color=look.colour, ls=look.line, lw=0.6, alpha=0.8)
    axes.set_title(f"{brief(places.alignment.road)}, aligned")
    axes.set_xlabel(textwrap.fill(along(places.alignment.reference), 48, break_on_hyphens=False))
    axes.set_ylabel("wheel hop level,\nstandard score")
    axes.margins(x=0)
    axes.grid(axis="y")
    legend(figure, side_handles())
    return figure


def title(roads: Sequence[Places]) -> str:
    """How well the passes fit."""
    fits = []
    for places in roads:
        qualities = [drive.quality for drive in places.alignment.passes]
        failed = " (not aligned)" if places.alignment.failure else ""
        fits.append(f"{brief(places.alignment.road, 24)} {min(qualities):.2f} to {max(qualities):.2f}{failed}")
    return "Correlation of each pass with the others, aligned: " + "; ".join(fits)


def data(roads: Sequence[Places]) -> Table:
    """The fingerprint of every pass, by the time that it drove and by place."""
    return joined(
        "Fingerprints of the road",
        (
            of_columns(
                "",
                {
                    "road": [places.alignment.road] * fingerprint.size,
                    "pass": [drive.name] * fingerprint.size,
                    "time, s": (time_s := _time_s(places, fingerprint.size)),
                    "place, s": _place_s(places, number, time_s),
                    "wheel hop level, standard score": fingerprint,
                },
            )
            for places in roads
            for number, (drive, fingerprint) in enumerate(zip(places.passes, places.prints, strict=True))
        ),
    )


def _time_s(places: Places, cells: int) -> np.ndarray:
    return (np.arange(cells) + 0.5) * places.cell_s


def _place_s(places: Places, number: int, time_s: np.ndarray) -> np.ndarray:
    """Where along the road a pass is at times (n,) that do not count its standing."""
    return np.asarray(places.warps[number](time_s / places.cell_s) * places.cell_s)
