"""Figure: density of vertical acceleration before and after, per road, with the bands of ride and noise."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from towertap.compare.drives.model import Side
from towertap.compare.sections.spectra.density import Density, in_fractions_of_octave
from towertap.drawing.style import INK, QUIET, SIDES, log_ticks, new_figure
from towertap.signals.bands import BANDS
from towertap.words.numbers import brief

Spectra = Mapping[str, Mapping[Side, Density]]
"""Road → side → density of vertical acceleration, (m/s²)²/Hz."""

FRACTION = 24
"""Lines are drawn as means over 1/24 octave, so that the upper decades stay legible."""
SHADES = ("#f3f5f7", "#e7ebef")


def draw(spectra: Spectra, noise: float) -> Figure:
    """Draw one panel a road, all on the same axes; `noise` is that of the sensor by its data sheet, (m/s²)²/Hz."""
    figure = new_figure(8.6, 0.9 + 2.3 * len(spectra), "Density of vertical acceleration before and after")
    panels = figure.subplots(len(spectra), 1, squeeze=False, sharex=True, sharey=True)[:, 0]
    for axes, (road, sides) in zip(panels, spectra.items(), strict=True):
        _panel(axes, road, sides)
        axes.axhline(noise, color=QUIET, lw=0.9, ls=":", label="the sensor's own noise, by its data sheet")
    panels[-1].set_xlabel("frequency, Hz")
    log_ticks(panels[-1], "x")
    top = max(density.high.max() for sides in spectra.values() for density in sides.values())
    low = min(density.mean.min() for sides in spectra.values() for density in sides.values())
    panels[-1].set_ylim(max(min(low, noise) / 2, top * 1e-7), top * 12)
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=3)
    return figure


def _panel(axes: Axes, road: str, sides: Mapping[Side, Density]) -> None:
    for place, (band, (low, high)) in enumerate(BANDS.items()):
        axes.axvspan(low, high, color=SHADES[place % 2], lw=0)
        axes.text(
            np.sqrt(low * high),
            0.97,
            _words(band),
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="top",
            fontsize=7.5,
            color=INK,
        )
    for side, density in sides.items():
        look, shown = SIDES[side], in_fractions_of_octave(density, FRACTION)
        axes.fill_between(shown.frequency_hz, shown.low, shown.high, color=look.colour, alpha=0.18, lw=0)
        axes.plot(shown.frequency_hz, shown.mean, color=look.colour, ls=look.line, lw=1.2, label=side)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(0.5, max(high for _, high in BANDS.values()))
    axes.yaxis.set_major_locator(LogLocator(numticks=6))
    axes.yaxis.set_major_formatter(FuncFormatter(_decade))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.grid(axis="y")
    axes.set_ylabel("density, (m/s²)²/Hz")
    passes = " and ".join(f"{density.passes} {side}" for side, density in sides.items())
    axes.set_title(f"{brief(road)}: vertical acceleration, mean over passes ({passes})")


def _words(band: str) -> str:
    return band.replace("_", "-") if band == "structure_borne" else band.replace("_", " ")


def _decade(value: float, _: object) -> str:
    """10⁻³ without mathematical markup, which hostile names could break."""
    return "10" + str(round(np.log10(value))).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
