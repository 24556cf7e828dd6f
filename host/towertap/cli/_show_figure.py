"""Figure of one capture over time: accelerations, r.m.s. and third-octaves per second; what is not driven is shaded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from towertap.analysis import Columns, rows_of_pieces
from towertap.cli._envelope import Envelope
from towertap.drawing.style import FAINT, INK, QUIET, RC, SIDES, WASH, legend, log_ticks, new_figure, save
from towertap.motion import CELL_S, Moving
from towertap.signals.metrics import THIRDS

DIRECTIONS = {"x": "forward", "y": "left", "z": "up"}
LONGEST_MARK = 24


def write(
    path: Path,
    title: str,
    envelopes: Mapping[str, Envelope],
    windows: Columns,
    pieces: Sequence[tuple[float, float]],
    marks: Sequence[tuple[float, str]],
    motion: Moving,
) -> None:
    """Draw a PNG of five panels over one time axis; OSError if it cannot be written.

    `pieces` are start and end of each stretch without a gap, `marks` time and text; times in s.
    """
    with rc_context(RC):
        figure = new_figure(9.0, width_in=8.6, title=title)
        panels = figure.subplots(5, 1, sharex=True, height_ratios=[2, 2, 3, 2, 4])
        _envelopes(panels[:3], envelopes)
        _running(panels[3], windows)
        _spectrogram(figure, panels[4], windows)
        for axes in panels:
            _shade(axes, pieces, motion)
            for time_s, _ in marks:
                axes.axvline(time_s, color=INK, lw=0.6, ls=":")
        for time_s, text in marks:
            name, at = text[:LONGEST_MARK], (time_s, 1)
            panels[0].annotate(name, at, xycoords=("data", "axes fraction"), rotation=30, fontsize=7, color=INK)
        panels[4].set_xlim(0, pieces[-1][1])
        panels[4].set_xlabel("time from the start of the recording, s")
        left_out = Patch(label="not part of the drive", fc=FAINT, lw=0)
        gap = [Patch(label="gap", fc=WASH, ec=QUIET, hatch="////", lw=0)] if len(pieces) > 1 else []
        legend(figure, [left_out, *gap])
        save(figure, path)


def _envelopes(panels: Sequence[Axes], envelopes: Mapping[str, Envelope]) -> None:
    for axes, (axis, envelope) in zip(panels, envelopes.items(), strict=True):
        times_s = (np.arange(envelope.low.size) + 0.5) * envelope.step_s
        axes.fill_between(times_s, envelope.low, envelope.high, color=SIDES["before"].colour, lw=0.3)
        axes.set_ylabel(f"{axis} ({DIRECTIONS[axis]}),\nm/s²")


def _running(axes: Axes, windows: Columns) -> None:
    for name, look in (("acceleration_z", SIDES["before"]), ("weighted_z", SIDES["after"])):
        label = "acceleration" if name == "acceleration_z" else "weighted (ISO 2631-1)"
        for rows in rows_of_pieces(windows["piece"]):
            middles_s = windows["start_s"][rows] + 0.5
            axes.plot(middles_s, windows[name][rows], color=look.colour, ls=look.line, lw=1.0, label=label)
            label = ""
    axes.set_yscale("log")
    log_ticks(axes, "y")
    axes.set_ylabel("r.m.s. over 1 s,\nz, m/s²")
    axes.legend(loc="lower right", bbox_to_anchor=(1, 1), borderaxespad=0, ncols=2)


def _spectrogram(figure: Figure, axes: Axes, windows: Columns) -> None:
    names = [name for name in THIRDS if name in windows]
    levels = np.column_stack([windows[name] for name in names])
    middles_hz = [float(name.split("_")[1]) for name in names]
    edges_hz = [middles_hz[0] * 2 ** (-1 / 6), *(middle_hz * 2 ** (1 / 6) for middle_hz in middles_hz)]
    positive = levels[levels > 0]
    scale = LogNorm(float(np.percentile(positive, 2)), float(positive.max()))
    for rows in rows_of_pieces(windows["piece"]):
        starts_s = windows["start_s"][rows]
        edges_s = np.append(starts_s, starts_s[-1] + 1.0)
        mesh = axes.pcolormesh(edges_s, edges_hz, levels[rows].T, cmap="cividis", norm=scale, rasterized=True)
    axes.set_yscale("log")
    log_ticks(axes, "y")
    axes.set_ylabel("third-octave of z, Hz")
    bar = figure.colorbar(mesh, ax=axes, pad=0.01)
    bar.set_label("r.m.s., m/s²")
    log_ticks(bar.ax, "y")


def _shade(axes: Axes, pieces: Sequence[tuple[float, float]], motion: Moving) -> None:
    left_out = np.flatnonzero(np.diff(motion.left_out, prepend=False, append=False)).reshape(-1, 2) * CELL_S
    for start_s, end_s in left_out:
        axes.axvspan(start_s, end_s, color=FAINT, alpha=0.6, lw=0)
    for (_, start_s), (end_s, _) in pairwise(pieces):
        axes.axvspan(start_s, end_s, fc=WASH, ec=QUIET, hatch="////", lw=0)
