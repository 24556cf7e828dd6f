"""From a contiguous piece of motion, block by block, to the windows of metrics; memory grows only by the windows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from towertap.errors import AnalysisError
from towertap.signals.channels import AXES, ROTATIONS, Channel, MetricSettings
from towertap.signals.filters import Array, Filter
from towertap.signals.fir import Single
from towertap.signals.halving import Halving, halvings
from towertap.signals.metrics import RMS, Metric, mean_square

MOST_PARTS = 64
"""Parts are joined at this number, since every small array costs extra memory."""


@dataclass(frozen=True, eq=False)
class Windows:
    """What is kept of n windows: `values` (rows, n), the rows of each metric, and the row of each signal's mean square.

    Single precision and no row twice, to save memory; the rounding is far below the chip's.
    """

    values: Single
    kept_rows: dict[str, slice]
    power_rows: dict[Channel, int]

    def __len__(self) -> int:
        return self.values.shape[1]

    @property
    def kept(self) -> dict[str, Single]:
        """Rows (kept, n) of each metric."""
        return {name: self.values[rows] for name, rows in self.kept_rows.items()}

    def mean_power(self) -> dict[Channel, float]:
        """Mean square of each filtered signal, over all windows."""
        return {signal: float(self.values[row].mean(dtype=np.float64)) for signal, row in self.power_rows.items()}

    def take(self, chosen: NDArray[np.bool_]) -> Windows:
        """The chosen windows; `chosen` is a mask (n,)."""
        return replace(self, values=np.compress(chosen, self.values, axis=1))

    @classmethod
    def join(cls, parts: Sequence[Windows]) -> Windows:
        """Join at least one stretch of windows."""
        if len(parts) == 1:
            return parts[0]
        return replace(parts[0], values=np.concatenate([part.values for part in parts], axis=1))


class Tap(NamedTuple):
    """A channel, filtered after this number of halvings of the rate."""

    channel: Channel
    halvings: int

    @property
    def plain(self) -> Tap:
        """The filtered signal itself."""
        return Tap(self.channel.source, self.halvings)


@dataclass(frozen=True, eq=False)
class Bank:
    """The filters of some metrics. Each signal is filtered once, at the lowest rate that it needs.

    `taps`: what each metric listens to, all at one rate. `left_out`: why a metric is missing.
    """

    settings: MetricSettings
    metrics: dict[str, Metric]
    taps: dict[str, tuple[Tap, ...]]
    filters: dict[Tap, Filter]
    left_out: dict[str, str]

    @classmethod
    def of(cls, metrics: Mapping[str, Metric], settings: MetricSettings, axes: Sequence[str] = AXES) -> Bank:
        """The bank of all metrics whose axes are recorded and whose bands the rate carries."""
        taps: dict[str, tuple[Tap, ...]] = {}
        filters: dict[Tap, Filter] = {}
        left_out: dict[str, str] = {}
        for name, metric in metrics.items():
            times = halvings(max(channel.design.carry_hz(settings) for channel in metric.channels), settings.rate_hz)
            wanted = tuple(Tap(channel, times) for channel in metric.channels)
            try:
                if missing := [axis for axis in metric.axes if axis not in axes]:
                    raise AnalysisError(f"it listens to {missing[0]}, which this box does not record")
                missing_filters = {tap.plain for tap in wanted} - filters.keys()
                rate_hz = settings.rate_hz / 2**times
                filters |= {tap: tap.channel.design.make(settings, rate_hz) for tap in missing_filters}
                taps[name] = wanted
            except AnalysisError as reason:
                left_out[name] = str(reason)
        return cls(settings, {name: metrics[name] for name in taps}, taps, filters, left_out)

    @cached_property
    def axes(self) -> list[str]:
        """The axes that metrics use, in the order of AXES."""
        return [axis for axis in AXES if axis in {tap.channel.axis for tap in self.filters}]

    @property
    def rotates(self) -> bool:
        """Whether a metric uses rotation."""
        return any(axis in ROTATIONS for metric in self.metrics.values() for axis in metric.axes)

    @cached_property
    def settled_row(self) -> int:
        """Row of a piece at which all filters have settled: the start of its first window."""
        return max(filter_.settled_row << tap.halvings for tap, filter_ in self.filters.items())

    def windows(self, blocks: Iterable[Array], window_rows: int) -> Windows:
        """The windows of a complete piece, see `Windowing`."""
        windowing = Windowing(self, window_rows)
        for block in blocks:
            windowing.take(block)
        return windowing.windows()


class Windowing:
    """Cuts one piece into windows.

    Windows of `window_rows` rows of the recording follow each other from the bank's `settled_row`; an incomplete last
    one is dropped. At a lower rate a window starts at the nearest row.
    """

    def __init__(self, bank: Bank, window_rows: int) -> None:
        self._bank = bank
        self._window_s = window_rows / bank.settings.rate_hz
        self._stages = [Halving() for _ in range(max(tap.halvings for tap in bank.filters))]
        self._runs = {tap: filter_.start() for tap, filter_ in bank.filters.items()}
        taps = {*bank.filters, *(tap for metric_taps in bank.taps.values() for tap in metric_taps)}
        self._cutters = {tap: _Cutter(bank, tap, window_rows) for tap in taps}
        self._reduced: list[Windows] = []
        self._reduce(0)

    def take(self, block: NDArray[np.floating]) -> None:
        """Take the next block (axes, rows), of any length, with one row per axis in the order of AXES."""
        axes = self._bank.axes
        signals = [block if len(axes) == len(block) else block[[AXES.index(axis) for axis in axes]]]
        for stage in self._stages:
            signals.append(stage(signals[-1]))
        filtered = {tap: run(signals[tap.halvings][axes.index(tap.channel.axis)]) for tap, run in self._runs.items()}
        for tap, cutter in self._cutters.items():
            cutter.put(filtered[tap.plain])
        if full := min(cutter.full() for cutter in self._cutters.values()):
            self._reduce(full)

    def windows(self) -> Windows:
        """The windows so far."""
        self._reduced = [Windows.join(self._reduced)]
        return self._reduced[0]

    def _reduce(self, count: int) -> None:
        """Reduce the next `count` windows to what the metrics keep."""
        cut = {tap: cutter.take(count) for tap, cutter in self._cutters.items()}
        rows: list[Array] = []
        kept_rows, power_rows = {}, {}
        for name, metric in self._bank.metrics.items():
            first, *others = (cut[tap] for tap in self._bank.taps[name])
            if metric.statistic is RMS and not others:
                power_rows[metric.channels[0].source] = len(rows)
            kept = metric.statistic.keep(np.array([first, *others]) if others else first[None], self._window_s)
            kept_rows[name] = slice(len(rows), len(rows) + len(kept))
            rows += list(kept)
        for tap in self._bank.filters:
            if tap.channel not in power_rows:
                power_rows[tap.channel] = len(rows)
                rows += list(mean_square(cut[tap][None], self._window_s))
        self._reduced.append(Windows(np.array(rows, np.float32), kept_rows, power_rows))
        if len(self._reduced) > MOST_PARTS:
            self.windows()


class _Cutter:
    """Skips the start of a signal, takes its running r.m.s. if the channel asks for it, and cuts it into windows."""

    def __init__(self, bank: Bank, tap: Tap, window_rows: int) -> None:
        self._halvings, self._start, self._window_rows = tap.halvings, bank.settled_row, window_rows
        self._rows = -(-window_rows >> tap.halvings)
        self._row = bank.filters[tap.plain].first_row
        """Row of the first pending value, counted at the signal's own rate."""
        running_rows = round(tap.channel.running_s * bank.settings.rate_hz / 2**tap.halvings)
        self._running = RunningRms(running_rows) if running_rows else None
        self._done = 0
        self._pending = np.empty(0)

    def put(self, signal: Array) -> None:
        """Take the next values (n,)."""
        skipped = min(max(0, int(self._begin(0)) - self._row), signal.size)
        self._row += skipped
        used = signal[skipped:]
        self._pending = np.concatenate([self._pending, self._running(used) if self._running else used])

    def full(self) -> int:
        """Number of complete windows waiting."""
        most = (self._pending.size << self._halvings) // self._window_rows + 1
        ends = self._begin(self._done + np.arange(most)) + self._rows
        return int(np.searchsorted(ends, self._row + self._pending.size, side="right"))

    def take(self, count: int) -> Array:
        """The next complete windows, (count, rows)."""
        if not count:
            return np.empty((0, self._rows))
        *begins, end = (self._begin(self._done + np.arange(count + 1)) - self._row).tolist()
        if end - begins[0] == count * self._rows:  # adjacent, as usual: no copy
            windows: Array = self._pending[begins[0] : end].reshape(count, self._rows)
        else:
            windows = np.lib.stride_tricks.sliding_window_view(self._pending, self._rows)[begins]
        self._pending, self._row, self._done = self._pending[end:], self._row + end, self._done + count
        return windows

    def _begin(self, number: int | NDArray[np.int64]) -> NDArray[np.int64]:
        """The row nearest to the start of a window."""
        row = np.asarray(self._start + number * self._window_rows)
        return (row + ((1 << self._halvings) >> 1)) >> self._halvings


class RunningRms:
    """R.m.s. over the last `rows` rows of a signal fed in blocks; NaN until there are enough.

    The linear running average of ISO 2631-1 equation 2.
    """

    def __init__(self, rows: int) -> None:
        self._rows = rows
        self._squares = np.empty(0)

    def __call__(self, block: Array) -> Array:
        """Values (n,) for the rows of the next block (n,)."""
        squares = np.concatenate([self._squares, np.square(block)])
        self._squares = squares[max(0, squares.size - self._rows + 1) :]
        sums = np.concatenate([[0.0], np.cumsum(squares)])
        # For a zero signal, rounding can leave differences just below zero.
        means = np.maximum(sums[self._rows :] - sums[: -self._rows], 0.0) / self._rows
        return np.concatenate([np.full(block.size - means.size, np.nan), np.sqrt(means)])
