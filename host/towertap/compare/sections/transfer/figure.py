"""The picture of a transfer: gain before and after, coherence, and the change."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from towertap.compare.sections.transfer.bands import LEAST_COHERENCE, RoadTransfer, TransferBand
from towertap.drawing.style import INK, PAPER, QUIET, SIDES, WASH, change_ticks, log_ticks, new_figure, ratio_reach
from towertap.words.numbers import brief, change_percent, range_percent

ASIDE = {"before": 0.985, "after": 1.015}
"""Factors that shift the marks of the two sides apart, so that neither hides the other."""


def panel(road: RoadTransfer) -> Figure:
    """Gain with every pass, coherence, and change with its intervals, over frequency."""
    figure = new_figure(6.4)
    gain, coherence, change = figure.subplots(3, 1, sharex=True, height_ratios=(3, 1.4, 2))
    for axes in (gain, coherence, change):
        _shade_unjudged(axes, road.bands)
        axes.set_xscale("log")
        axes.grid(axis="y")
    _gain(gain, road)
    _coherence(coherence, road)
    _change(change, road.bands)
    change.set_xlabel("middle of the third-octave band, Hz\n(shaded: not coherent in every pass, not judged)")
    _band_ticks(change, road.bands)
    gain.set_title(f"{brief(road.road)}: {brief(road.output)} over {brief(road.input)}, vertical")
    figure.legend(*gain.get_legend_handles_labels(), loc="outside lower left")
    return figure


def title(road: RoadTransfer) -> str:
    """The band in which the transfer changed most, of those whose interval excludes 1."""
    most = max((band for band in road.bands if band.shown), key=lambda band: band.size, default=None)
    if most is None:
        return f"{brief(road.road)}: no change of the transfer is shown in any band"
    size = change_percent(most.ratio or 1.0, most.interval)
    return f"{brief(road.road)}: the transfer changed most at {most.name} Hz, {size} ({range_percent(most.interval)})"


def _gain(axes: Axes, road: RoadTransfer) -> None:
    hz = np.array([band.hz for band in road.bands])
    for side, look in SIDES.items():
        passes = [drive for drive in road.passes if drive.side == side]
        for drive in passes:
            mark: dict[str, Any] = {"marker": look.marker, "ms": 3.2, "mfc": PAPER, "mec": look.colour, "mew": 0.7}
            axes.plot(hz * ASIDE[side], _drawable(drive.gain), ls="", **mark)
        means = [getattr(band, side) for band in road.bands]
        label = f"{side}: mean of {len(passes)} passes (open marks)"
        axes.plot(hz, _drawable(means), color=look.colour, ls=look.line, lw=1.4, label=label)
    axes.axhline(1.0, color=QUIET, lw=0.8)
    axes.set_yscale("log")
    log_ticks(axes, "y")
    axes.set_ylabel("gain, output / input\n(r.m.s. that follows)")


def _coherence(axes: Axes, road: RoadTransfer) -> None:
    hz = [band.hz for band in road.bands]
    for side, look in SIDES.items():
        values = [getattr(band, f"{side}_coherence") for band in road.bands]
        axes.plot(hz, values, color=look.colour, ls=look.line, lw=1.2, marker=look.marker, ms=3)
    axes.plot(hz, [band.chance for band in road.bands], color=QUIET, lw=0.9, ls=":")
    _beside(axes, road.bands[-1].chance, "by chance")
    axes.axhline(LEAST_COHERENCE, color=QUIET, lw=0.8)
    _beside(axes, LEAST_COHERENCE, "least judged")
    axes.set_ylim(0, 1.02)
    axes.set_ylabel("coherence, lowest\nof a side's passes")


def _beside(axes: Axes, y: float, text: str) -> None:
    edge = axes.get_yaxis_transform()
    axes.annotate(
        text, (1, y), (4, 0), edge, "offset points", fontsize=7.5, color=QUIET, va="center", annotation_clip=False
    )


def _change(axes: Axes, bands: Sequence[TransferBand]) -> None:
    axes.axhline(1.0, color=QUIET, lw=0.8)
    changes = [(band, band.ratio) for band in bands if band.ratio is not None]
    for band, ratio in changes:
        colour = INK if band.shown else QUIET
        axes.plot([band.hz] * 2, band.interval or (ratio, ratio), color=colour, lw=2.2 if band.shown else 1.1)
        axes.plot(band.hz, ratio, marker="s", ms=4, color=colour, mec=PAPER, mew=0.5)
    reach = ratio_reach((ratio for _, ratio in changes), (band.interval for band, _ in changes), 1.3)
    change_ticks(axes, "y", (1 / reach, reach))
    axes.set_ylabel("change, 95 %\ninterval of all bands")


def _shade_unjudged(axes: Axes, bands: Sequence[TransferBand]) -> None:
    for band in bands:
        if not band.judged:
            axes.axvspan(band.hz * 10**-0.05, band.hz * 10**0.05, color=WASH, lw=0)


def _band_ticks(axes: Axes, bands: Sequence[TransferBand]) -> None:
    axes.set_xlim(bands[0].hz * 10**-0.06, bands[-1].hz * 10**0.06)
    shown = bands[::3]
    axes.set_xticks([band.hz for band in shown], labels=[band.name for band in shown])
    axes.set_xticks([], minor=True)


def _drawable(values: Sequence[float | None]) -> list[float]:
    """Gains for a logarithmic axis: 0 and None leave a gap."""
    return [value or math.nan for value in values]
