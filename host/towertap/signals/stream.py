"""One contiguous piece of motion, block by block, to the windows of metrics; memory does not grow but by windows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from towertap.errors import AnalysisError
from towertap.signals.channels import AXES, Channel, MetricSettings
from towertap.signals.filters import Array, Filter
from towertap.signals.metrics import Metric, mean_square


@dataclass(frozen=True, eq=False)
class Windows:
    """What is kept of n windows: of each metric (kept, n), and the mean square of each filtered signal (n,)."""

    kept: dict[str, Array]
    power: dict[Channel, Array]

    def __len__(self) -> int:
        return len(next(iter(self.power.values())))

    def mean_power(self) -> dict[Channel, float]:
        """Mean square of each filtered signal over all windows."""
        return {signal: float(squares.mean()) for signal, squares in self.power.items()}

    @classmethod
    def join(cls, parts: Sequence[Windows]) -> Windows:
        """Several stretches of windows, at least one, one after the other."""
        return cls(
            {name: np.concatenate([part.kept[name] for part in parts], axis=1) for name in parts[0].kept},
            {signal: np.concatenate([part.power[signal] for part in parts]) for signal in parts[0].power},
        )


@dataclass(frozen=True, eq=False)
class Bank:
    """The filters of some metrics, each signal filtered once; `left_out` says why a metric is not among them."""

    settings: MetricSettings
    metrics: dict[str, Metric]
    filters: dict[Channel, Filter]
    left_out: dict[str, str]

    @classmethod
    def of(cls, metrics: Mapping[str, Metric], settings: MetricSettings, axes: Sequence[str] = AXES) -> Bank:
        """The bank of those metrics whose axes are there and whose bands the rate carries."""
        filters: dict[Channel, Filter] = {}
        left_out: dict[str, str] = {}
        for name, metric in metrics.items():
            try:
                if missing := [axis for axis in metric.axes if axis not in axes]:
                    raise AnalysisError(f"it listens to {missing[0]}, which this box does not record")
                needed = {channel.source: channel.design for channel in metric.channels}
                filters |= {source: design.make(settings) for source, design in needed.items() if source not in filters}
            except AnalysisError as reason:
                left_out[name] = str(reason)
        there = {name: metric for name, metric in metrics.items() if name not in left_out}
        return cls(settings, there, filters, left_out)

    @property
    def axes(self) -> set[str]:
        """The axes that are listened to."""
        return {channel.axis for channel in self.filters}

    @property
    def settled_row(self) -> int:
        """The first row of a piece from which the output of every filter counts: where its first window starts."""
        return max(made.settled_row for made in self.filters.values())

    def windows(self, blocks: Iterable[Array], window_rows: int) -> Windows:
        """The windows of one piece, given in order as blocks (axes, rows) of any length, a row each of AXES.

        Windows of `window_rows` rows follow each other from `settled_row`; a last one that is not full is dropped.
        """
        return Windows.join(list(self._reduced(blocks, window_rows)))

    def _reduced(self, blocks: Iterable[Array], window_rows: int) -> Iterator[Windows]:
        runs = {source: made.start() for source, made in self.filters.items()}
        wanted = {channel for metric in self.metrics.values() for channel in metric.channels} | self.filters.keys()
        cutters = {channel: self._cutter(channel, window_rows) for channel in wanted}
        yield self._reduce({channel: cutter.take(0) for channel, cutter in cutters.items()})
        for block in blocks:
            filtered = {source: run(block[AXES.index(source.axis)]) for source, run in runs.items()}
            for channel, cutter in cutters.items():
                cutter.put(filtered[channel.source])
            if full := min(cutter.full for cutter in cutters.values()):
                yield self._reduce({channel: cutter.take(full) for channel, cutter in cutters.items()})

    def _cutter(self, channel: Channel, window_rows: int) -> _Cutter:
        skip = self.settled_row - self.filters[channel.source].first_row
        return _Cutter(skip, window_rows, round(channel.running_s * self.settings.rate_hz))

    def _reduce(self, windows: Mapping[Channel, Array]) -> Windows:
        """What is kept of windows (n, rows) of every channel."""
        kept, rate_hz = {}, self.settings.rate_hz
        for name, metric in self.metrics.items():
            signals = np.stack([windows[channel] for channel in metric.channels])
            kept[name] = metric.statistic.keep(signals, rate_hz)
        return Windows(kept, {source: mean_square(windows[source][None], rate_hz)[0] for source in self.filters})


class _Cutter:
    """Skips the start of a signal, takes its running r.m.s. over `running_rows`, if any, and cuts it into windows."""

    def __init__(self, skip: int, rows: int, running_rows: int = 0) -> None:
        self._skip, self._rows = skip, rows
        self._running = RunningRms(running_rows) if running_rows else None
        self._pending = np.empty(0)

    @property
    def full(self) -> int:
        """How many windows are full."""
        return self._pending.size // self._rows

    def put(self, signal: Array) -> None:
        """Take the next stretch (n,)."""
        skipped = min(self._skip, signal.size)
        self._skip -= skipped
        used = signal[skipped:]
        self._pending = np.concatenate([self._pending, self._running(used) if self._running else used])

    def take(self, count: int) -> Array:
        """The first full windows, (count, rows)."""
        cut, self._pending = np.split(self._pending, [count * self._rows])
        return cut.reshape(count, self._rows)


class RunningRms:
    """R.m.s. over the last `rows` rows of a signal (n,) fed in blocks; not a number before there are so many.

    The linear running average of ISO 2631-1 equation 2.
    """

    def __init__(self, rows: int) -> None:
        self._rows = rows
        self._squares = np.empty(0)

    def __call__(self, block: Array) -> Array:
        """The values (n,) at the rows of the next block (n,)."""
        squares = np.concatenate([self._squares, np.square(block)])
        self._squares = squares[max(0, squares.size - self._rows + 1) :]
        sums = np.concatenate([[0.0], np.cumsum(squares)])
        # Where the signal is nought, rounding leaves differences just below it.
        means = np.maximum(sums[self._rows :] - sums[: -self._rows], 0.0) / self._rows
        return np.concatenate([np.full(block.size - means.size, np.nan), np.sqrt(means)])
