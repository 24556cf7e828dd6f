"""Picture: typical knocks of one road, in band, so that an eye can tell a part's blow from the road's."""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from towertap.compare.drives.model import Side
from towertap.compare.sections.knocks.waves import Waveform, Waves
from towertap.drawing import style
from towertap.words.numbers import brief, number
from towertap.words.table import Table, joined, of_columns


def panels(waves: Waves) -> list[Figure]:
    """A panel a side, one knock beneath the other."""
    top = 1.05 * max(np.abs(wave.acceleration_ms2).max() for of_side in waves.values() for wave in of_side)
    return [_panel(side, of_side, top) for side, of_side in waves.items() if of_side]


def title(road: str, waves: Waves) -> str:
    """How strong typical knocks are on each side."""
    peaks = [
        f"{number(float(np.median([wave.knock.peak_ms2 for wave in of_side])))} m/s² {side}"
        if of_side
        else f"none {side}"
        for side, of_side in waves.items()
    ]
    return f"Typical knocks on {brief(road)}: {', '.join(peaks)}"


def data(waves: Waves) -> Table:
    """The waveforms."""
    return joined(
        "Typical knocks",
        (
            of_columns(
                "",
                {
                    "side": [side] * wave.time_s.size,
                    "knock": [f"{place} on {wave.axis}"] * wave.time_s.size,
                    "time from the onset, ms": 1e3 * wave.time_s,
                    "acceleration, m/s²": wave.acceleration_ms2,
                },
            )
            for side, of_side in waves.items()
            for place, wave in enumerate(of_side, start=1)
        ),
    )


def _panel(side: Side, waves: Sequence[Waveform], top: float) -> Figure:
    figure = style.new_figure(0.6 + 1.1 * len(waves))
    rows = figure.subplots(len(waves), 1, sharex=True, squeeze=False)[:, 0]
    for axes, wave in zip(rows, waves, strict=True):
        axes.plot(1e3 * wave.time_s, wave.acceleration_ms2, color=style.SIDES[side].colour, lw=0.8)
        axes.axvline(0.0, color=style.MUTED, lw=0.6, zorder=0)
        ring_hz = wave.knock.ring_hz
        rings = f"rings at {ring_hz:.0f} Hz" if np.isfinite(ring_hz) else "does not ring"
        axes.set_title(f"{side}, {wave.axis}: all axes {number(wave.knock.peak_ms2)} m/s², {rings}", fontsize=7.5)
        axes.set_ylim(-top, top)
        axes.set_ylabel("m/s²")
        axes.grid()
    rows[-1].set_xlabel("time from the onset, ms")
    return figure
