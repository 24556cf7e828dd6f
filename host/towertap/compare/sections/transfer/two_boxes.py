"""Two boxes at once: both captures of a pass on one time base, and the transfer between them."""

import math
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from towertap.bench.carried import records_for
from towertap.bench.mounted import rotation_to_vehicle
from towertap.capture.host_time import started
from towertap.capture.integrity import check
from towertap.capture.reading import Capture, open_capture
from towertap.compare.drives.model import Reading, name_of
from towertap.compare.drives.reading import began
from towertap.compare.sections.transfer.bands import EDGES_HZ, PassTransfer
from towertap.errors import AnalysisError
from towertap.signals.filters import Array
from towertap.signals.spectra import WelchSum
from towertap.signals.time_base import GRID_HZ, HALF_S, find_offset, interpolate
from towertap.signals.transfer import PAIRS, SEGMENT_S, in_bands, spectra_of

LEAST_OVERLAP_S = 8.0
"""Shortest common recording that is used."""
LOWEST_RATE_HZ = 900.0
"""Required by `interpolate`."""
BLOCK_S = 16.0
"""Read size."""


def pass_transfer(reading: Reading, candidates: Sequence[Path]) -> PassTransfer:
    """The transfer of an open pass, with the one of `candidates` (captures at the input) that overlaps it most.

    Raises AnalysisError with the reason if there is none.
    """
    if not candidates:
        raise AnalysisError("its pass has no capture at the input's position: record both boxes in every pass")
    with ExitStack() as stack:
        inputs = [stack.enter_context(open_capture(path)) for path in candidates]
        overlaps = [_overlap_s(reading.capture, capture) for capture in inputs]
        longest = max(range(len(inputs)), key=lambda i: overlaps[i][1] - overlaps[i][0])
        return _transfer_of(reading, inputs[longest], *overlaps[longest])


def _transfer_of(reading: Reading, source: Capture, start_s: float, end_s: float, guess_s: float) -> PassTransfer:
    """The transfer from the capture `source` to the open one; for the times see `_overlap_s`."""
    output, name = reading.capture, name_of(source.path)
    if output.text("raw_sha256") == source.text("raw_sha256"):
        raise AnalysisError(f"{name} is the same recording under another position")
    integrity = check(source)
    if not integrity.sound and not reading.include_unsound:
        raise AnalysisError(f"its input {name} is not sound: {'; '.join(integrity.reasons)}")
    windows_s = reading.windows["start_s"]
    span_s = (max(start_s, windows_s[0]), min(end_s, windows_s[-1] + 1.0))
    if span_s[1] - span_s[0] < LEAST_OVERLAP_S:
        raise AnalysisError(
            f"it shares only {max(0.0, span_s[1] - span_s[0]):.1f} s with its input {name}, and {LEAST_OVERLAP_S:g} s "
            "are needed: start and stop both boxes with the pass"
        )
    records = records_for(source, reading.bench)
    to_vehicle = rotation_to_vehicle(source, None, records) @ records.correction[1]
    at_output, at_input = Motion(output, reading.analysis.to_vehicle[2]), Motion(source, to_vehicle[2])
    try:
        offset = find_offset(at_output, at_input, span_s, guess_s)
    except AnalysisError as error:
        raise AnalysisError(f"with its input {name}: {error}") from None
    welch = WelchSum(GRID_HZ, SEGMENT_S, PAIRS)
    for start in np.arange(*span_s, BLOCK_S):
        time_s = np.arange(start, min(start + BLOCK_S, span_s[1]), 1 / GRID_HZ)
        welch.feed(np.array([at_input(time_s + offset(time_s)), at_output(time_s)]))
    spectra, bench = spectra_of(welch), records.summary(to_vehicle)
    bands = in_bands(spectra, EDGES_HZ)
    gain, coherence, chance = (
        tuple(value if math.isfinite(value) else None for value in row.tolist())
        for row in (bands.gain, bands.coherence, bands.chance)
    )
    usable = [summary.usable_hz for summary in (bench, reading.analysis.bench) if summary.usable_hz]
    return PassTransfer(
        capture=name_of(output.path),
        input_capture=name,
        pass_number=output.conditions.pass_number,
        offset_s=float(offset(np.array([sum(span_s) / 2]))[0]),
        drift_ppm=1e6 * float((offset.seconds[-1] - offset.seconds[0]) / (offset.knots_s[-1] - offset.knots_s[0])),
        scatter_us=1e6 * offset.scatter_s,
        agreeing=offset.agreeing,
        windows=offset.windows,
        averages=spectra.averages,
        gain=gain,
        coherence=coherence,
        chance=chance,
        input_bench=bench,
        usable_hz=min(usable, default=None),
    )


class Motion:
    """A capture's acceleration along one direction as a function of time; samples are read on demand."""

    def __init__(self, capture: Capture, along: Array) -> None:
        """`along` (3,) is the direction in chip axes, including the calibration's scale."""
        if (capture.gaps["missing"] < 0).any():
            raise AnalysisError(f"{name_of(capture.path)} has a gap of unknown length: record the pass again")
        if capture.rate_hz < LOWEST_RATE_HZ:
            raise AnalysisError(
                f"{name_of(capture.path)} has a rate of {capture.rate_hz:g} Hz: record at 1000 Hz or more"
            )
        self._capture, self._along, self._pieces = capture, along * capture.scale_ms2, capture.pieces()
        self._starts_s = np.array([piece.start_time_s for piece in self._pieces])

    def __call__(self, time_s: Array) -> Array:
        """Acceleration (n,) in m/s², gravity included, at rising times (n,) from the capture's first sample."""
        values = np.full(time_s.size, np.nan)
        rate_hz, margin = self._capture.rate_hz, math.ceil(HALF_S * self._capture.rate_hz) + 1
        first, last = np.searchsorted(self._starts_s, time_s[[0, -1]], side="right") - 1
        for piece in self._pieces[max(0, first) : last + 1]:
            rows = (time_s - piece.start_time_s) * rate_hz
            in_piece = (rows >= 0) & (rows < piece.n_rows)
            if not in_piece.any():
                continue
            low = max(0, int(rows[in_piece][0]) - margin)
            high = min(piece.n_rows, int(rows[in_piece][-1]) + margin + 1)
            counts = self._capture.counts("acceleration", piece.first_row + low, piece.first_row + high)
            values[in_piece] = interpolate(counts @ self._along, rate_hz, rows[in_piece] - low)
        return values


def _overlap_s(output: Capture, source: Capture) -> tuple[float, float, float]:
    """Start and end of the common time, in seconds of the output's clock, and the source's clock minus the output's."""
    starts = [_started_s(capture) for capture in (output, source)]
    lengths = []
    for capture in (output, source):
        last = capture.pieces()[-1]
        lengths.append(last.start_time_s + last.n_rows / capture.rate_hz)
    guess_s = starts[0] - starts[1]
    return max(0.0, -guess_s), min(lengths[0], lengths[1] - guess_s), guess_s


def _started_s(capture: Capture) -> float:
    """Unix time of the first sample, as well as the capture knows it; AnalysisError if it does not."""
    moment = started(capture, capture.rate_hz)
    if moment:
        return moment.at_s
    begun = began(capture)
    if begun is None:
        raise AnalysisError(
            f"{name_of(capture.path)} has no start time: decode it again from its recording and sidecar"
        )
    return begun.timestamp()
