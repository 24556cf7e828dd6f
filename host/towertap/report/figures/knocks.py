"""Figure: typical knocks of one road, in band, so that an eye can tell a part's blow from the road's."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

import numpy as np
from matplotlib.figure import Figure
from scipy import signal

from towertap.capture.reading import open_capture
from towertap.compare.model import Drives, Pass
from towertap.report.style import SIDES, new_figure
from towertap.report.words import brief, number
from towertap.signals.bands import design
from towertap.signals.filters import Array
from towertap.signals.knocks import Knock, band_hz

TYPICAL = 3
"""So many a side are drawn: those whose peaks are nearest to the side's median."""
AROUND_S = (-0.03, 0.06)
SETTLE_S = 0.3
"""So much more is filtered at either end than is drawn."""


def draw(drives: Drives, road: str) -> Figure | None:
    """Draw up to TYPICAL knocks before (above) and after (below); None where none was heard on the road."""
    chosen = {side: typical(drives.of(road, side)) for side in SIDES}
    if not any(chosen.values()):
        return None
    figure = new_figure(8.6, 4.2, f"Typical knocks on {brief(road)}: the axis on which each is strongest")
    grid = figure.subplots(len(chosen), TYPICAL, sharex=True, sharey=True, squeeze=False)
    for row, (side, knocks) in zip(grid, chosen.items(), strict=True):
        for axes, found in zip(row, [*knocks, *[None] * (TYPICAL - len(knocks))], strict=True):
            if found is None:
                axes.set_visible(False)
                continue
            one, knock = found
            time_s, values, axis = waveform(one, knock)
            axes.plot(1e3 * time_s, values, color=SIDES[side].colour, lw=0.8)
            axes.axvline(0.0, color="0.7", lw=0.6, zorder=0)
            rings = f", rings at {knock.ring_hz:.0f} Hz" if np.isfinite(knock.ring_hz) else ", does not ring"
            axes.set_title(f"{side}, {axis}; all axes {number(knock.peak_ms2)} m/s²{rings}", fontsize=7)
            axes.grid()
        row[0].set_ylabel("acceleration, m/s²\n50 to 500 Hz or as carried")
    for axes in grid[-1]:
        axes.set_xlabel("time from the onset, ms")
    return figure


def typical(passes: Sequence[Pass]) -> list[tuple[Pass, Knock]]:
    """Up to TYPICAL knocks, each with its pass, of the peaks nearest to the median of all."""
    heard = [(one, knock) for one in passes for knock in one.knocks or ()]
    middle = median(knock.peak_ms2 for _, knock in heard) if heard else 0.0
    return sorted(heard, key=lambda found: abs(found[1].peak_ms2 - middle))[:TYPICAL]


def waveform(one: Pass, knock: Knock) -> tuple[Array, Array, str]:
    """Time from the onset in s and in-band acceleration in m/s², (n,) each, along the strongest axis, and its name."""
    with open_capture(one.path) as capture:
        rate_hz = capture.rate_hz
        piece = [piece for piece in capture.pieces() if piece.start_time_s <= knock.onset_s][-1]
        middle = (knock.onset_s - piece.start_time_s) * rate_hz
        first, last = (
            int(np.clip(middle + (at + pad) * rate_hz, 0, piece.n_rows))
            for at, pad in zip(AROUND_S, (-SETTLE_S, SETTLE_S), strict=True)
        )
        counts = capture.counts("acceleration", piece.first_row + first, piece.first_row + last)
        readings = counts * capture.scale_ms2 @ one.to_vehicle.T
    values = signal.sosfiltfilt(design(band_hz(rate_hz), rate_hz).sos, readings, axis=0)
    time_s = np.asarray((np.arange(first, last) - middle) / rate_hz, np.float64)
    shown = (time_s >= AROUND_S[0]) & (time_s <= AROUND_S[1])
    axis = int(np.abs(values[shown]).max(axis=0).argmax())
    return time_s[shown], values[shown, axis], "xyz"[axis]
