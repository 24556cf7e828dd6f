"""One contiguous piece of a signal, block by block, to the figures of its windows; memory does not grow with length."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np

from towertap.signals.filters import Array, Filter
from towertap.signals.summary import running_rms

RUNNING_S = 1.0
"""Integration time of the running r.m.s. behind the maximum transient vibration value, ISO 2631-1."""


@dataclass(frozen=True, eq=False)
class Windows:
    """What is kept of the windows of one filtered signal, (n,) each: enough for every figure, and to join windows.

    Mean square (unit²), sum of fourth powers over the rate (unit⁴·s), largest magnitude (unit), largest running r.m.s.
    over 1 s (unit; NaN where the settled signal was not yet 1 s long, and where nobody asked for it).
    """

    mean_square: Array
    fourth_power: Array
    peak: Array
    running: Array

    def __len__(self) -> int:
        return self.mean_square.size

    def first(self, n: int) -> Windows:
        """The first n windows."""
        return Windows(*(getattr(self, field.name)[:n] for field in fields(self)))

    def whole(self) -> Windows:
        """All windows as one, (1,); windows are of equal length. At least one window."""
        return Windows(
            np.atleast_1d(self.mean_square.mean()),
            np.atleast_1d(self.fourth_power.sum()),
            np.atleast_1d(self.peak.max()),
            np.atleast_1d(np.fmax.reduce(self.running)),
        )

    @classmethod
    def join(cls, parts: Sequence[Windows]) -> Windows:
        """Several stretches of windows, one after the other."""
        return cls(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(cls)))


@dataclass(frozen=True, eq=False)
class Channel:
    """One axis (row of a block) through one filter; `running`: with the running r.m.s."""

    axis: int
    filter: Filter
    running: bool = False


def settled_row(channels: Iterable[Channel]) -> int:
    """The first row of a piece from which the output of every channel counts: where its first window starts."""
    return max(channel.filter.settled_row for channel in channels)


def piece_windows(
    blocks: Iterable[Array], channels: Sequence[Channel], rate_hz: float, window_rows: int
) -> list[Windows]:
    """The windows of one piece, for every channel; all channels have the same windows.

    `blocks` are the piece in order, (axes, rows) each, of any length. Windows of `window_rows` rows follow each other
    from `settled_row(channels)`; a last one that is not full is dropped.
    """
    start = settled_row(channels)
    runs = [
        (
            channel.axis,
            channel.filter.start(),
            _Windowing(start - channel.filter.first_row, rate_hz, window_rows, channel.running),
        )
        for channel in channels
    ]
    for block in blocks:
        for axis, run, windowing in runs:
            windowing.take(run(block[axis]))
    found = [windowing.found() for _, _, windowing in runs]
    return [windows.first(min(map(len, found))) for windows in found]


class _Windowing:
    """Cuts one filtered signal into windows as it comes, with up to 1 s before each window for the running r.m.s."""

    def __init__(self, skip: int, rate_hz: float, window_rows: int, running: bool) -> None:
        self._skip = skip
        self._rate_hz = rate_hz
        self._rows = window_rows
        self._running = running
        self._before = 0
        self._held = np.empty(0)
        self._done: list[Windows] = [Windows(*np.empty((4, 0)))]

    def take(self, signal: Array) -> None:
        """Take the next stretch of signal (n,)."""
        skipped = min(self._skip, signal.size)
        self._skip -= skipped
        self._held = np.concatenate([self._held, signal[skipped:]])
        windows = (self._held.size - self._before) // self._rows
        if windows:
            end = self._before + windows * self._rows
            self._done.append(self._reduce(self._held[:end]))
            kept = min(end, round(RUNNING_S * self._rate_hz) - 1) if self._running else 0
            self._held = self._held[end - kept :]
            self._before = kept

    def found(self) -> Windows:
        """The full windows so far."""
        return Windows.join(self._done)

    def _reduce(self, signal: Array) -> Windows:
        windows = signal[self._before :].reshape(-1, self._rows)
        squares = windows**2
        return Windows(
            squares.mean(axis=1),
            (squares**2).sum(axis=1) / self._rate_hz,
            np.maximum(windows.max(axis=1), -windows.min(axis=1)),
            self._largest_running(signal),
        )

    def _largest_running(self, signal: Array) -> Array:
        if not self._running:
            return np.full(signal.size // self._rows, np.nan)
        running = running_rms(signal, self._rate_hz, RUNNING_S)
        at_rows = np.concatenate([np.full(signal.size - running.size, np.nan), running])[self._before :]
        return np.fmax.reduce(at_rows.reshape(-1, self._rows), axis=1)
