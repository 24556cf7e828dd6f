"""Figure: typical knocks of one road, in band, so that an eye can tell a part's blow from the road's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from towertap.compare.drives.model import Drives, Pass
from towertap.compare.sections.knocks.counts import NAME
from towertap.compare.sections.knocks.waves import TYPICAL, Waveform, nearest_to_median
from towertap.drawing.style import SIDES, new_figure
from towertap.words.numbers import brief, number


def draw(drives: Drives, road: str) -> Figure | None:
    """Draw up to TYPICAL knocks before (above) and after (below); None where none was heard on the road."""
    chosen = {side: typical(drives.of(road, side)) for side in SIDES}
    if not any(chosen.values()):
        return None
    figure = new_figure(8.6, 4.2, f"Typical knocks on {brief(road)}: the axis on which each is strongest")
    grid = figure.subplots(len(chosen), TYPICAL, sharex=True, sharey=True, squeeze=False)
    for row, (side, waves) in zip(grid, chosen.items(), strict=True):
        for axes, wave in zip(row, [*waves, *[None] * (TYPICAL - len(waves))], strict=True):
            if wave is None:
                axes.set_visible(False)
                continue
            axes.plot(1e3 * wave.time_s, wave.acceleration_ms2, color=SIDES[side].colour, lw=0.8)
            axes.axvline(0.0, color="0.7", lw=0.6, zorder=0)
            ring_hz = wave.knock.ring_hz
            rings = f", rings at {ring_hz:.0f} Hz" if np.isfinite(ring_hz) else ", does not ring"
            axes.set_title(f"{side}, {wave.axis}; all axes {number(wave.knock.peak_ms2)} m/s²{rings}", fontsize=7)
            axes.grid()
        row[0].set_ylabel("acceleration, m/s²\n50 to 500 Hz or as carried")
    for axes in grid[-1]:
        axes.set_xlabel("time from the onset, ms")
    return figure


def typical(passes: Sequence[Pass]) -> list[Waveform]:
    """Up to TYPICAL waveforms of the peaks nearest to the median of all knocks."""
    measured = [drive.measured[NAME] for drive in passes if drive.measured.get(NAME)]
    waves = {id(wave.knock): wave for of_pass in measured for wave in of_pass.waves}
    knocks = [knock for of_pass in measured for knock in of_pass.knocks]
    return [waves[id(knock)] for knock in nearest_to_median(knocks, len(knocks)) if id(knock) in waves][:TYPICAL]
