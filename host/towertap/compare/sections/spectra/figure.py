"""The picture of the density of vertical acceleration before and after, with ride bands and sensor noise."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from towertap.compare.drives.model import Side
from towertap.compare.sections.spectra.density import Density, in_fractions_of_octave
from towertap.drawing.style import FAINT, INK, QUIET, SIDES, WASH, legend, log_ticks, new_figure, side_handles
from towertap.signals.bands import BANDS
from towertap.signals.metrics import BAND_WORDS
from towertap.words.numbers import brief
from towertap.words.table import Table, joined, of_columns

Spectra = Mapping[str, Mapping[Side, Density]]
"""Road → side → density of vertical acceleration, (m/s²)²/Hz."""

FRACTION = 24
"""Lines are means over 1/24 octave, so that the upper decades stay legible."""


def panels(spectra: Spectra, noise: float) -> list[Figure]:
    """A panel per road, all with the same axes.

    `noise` is the sensor's by its data sheet, (m/s²)²/Hz, NaN for another recorder.
    """
    densities = [density for sides in spectra.values() for density in sides.values()]
    top = max(density.high.max() for density in densities)
    bottom = max(np.nanmin([noise, *(density.mean.min() for density in densities)]) / 2, top * 1e-7)
    floor = [Line2D([], [], color=QUIET, lw=0.9, ls=":", label="sensor noise")] if np.isfinite(noise) else []
    figures = []
    for road, sides in spectra.items():
        figure = new_figure(3.0)
        axes = figure.subplots()
        _panel(axes, road, sides)
        axes.axhline(noise, color=QUIET, lw=0.9, ls=":")
        axes.set_ylim(bottom, top * 12)
        legend(figure, [*side_handles(), *floor], columns=3)
        figures.append(figure)
    return figures


def data(spectra: Spectra) -> Table:
    """Mean, smallest and largest density over passes, as drawn."""
    tables = []
    for road, sides in spectra.items():
        for side, density in sides.items():
            shown = in_fractions_of_octave(density, FRACTION)
            columns = {"frequency, Hz": shown.frequency_hz, "mean": shown.mean, "low": shown.low, "high": shown.high}
            names: dict[str, Any] = {"road": [road] * shown.mean.size, "side": [side] * shown.mean.size}
            tables.append(of_columns("", {**names, **columns}))
    return joined("Density of vertical acceleration, (m/s²)²/Hz", tables)


def _panel(axes: Axes, road: str, sides: Mapping[Side, Density]) -> None:
    for place, (band, (low, high)) in enumerate(BANDS.items()):
        if place % 2:
            axes.axvspan(low, high, color=WASH, lw=0)
        axes.text(
            np.sqrt(low * high),
            0.97,
            BAND_WORDS[band].removesuffix(" vibration").replace(" ", "\n").replace("-", "-\n"),
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="top",
            fontsize=7.5,
            color=INK,
        )
    for side, density in sides.items():
        look, shown = SIDES[side], in_fractions_of_octave(density, FRACTION)
        axes.fill_between(shown.frequency_hz, shown.low, shown.high, color=look.colour, alpha=0.18, lw=0)
        axes.plot(shown.frequency_hz, shown.mean, color=look.colour, ls=look.line, lw=1.2)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(0.5, max(high for _, high in BANDS.values()))
    axes.yaxis.set_major_locator(LogLocator(numticks=6))
    axes.yaxis.set_major_formatter(FuncFormatter(_decade))
    axes.yaxis.set_minor_locator(NullLocator())
    log_ticks(axes, "x")
    axes.grid(axis="y", color=FAINT)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("density, (m/s²)²/Hz")
    passes = " and ".join(f"{density.passes} {side}" for side, density in sides.items())
    axes.set_title(f"{brief(road)}: passes {passes}")


def _decade(value: float, _: object) -> str:
    """A power of ten such as 10⁻³, without mathematical markup, which hostile names could break."""
    return "10" + str(round(np.log10(value))).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
