"""Two boxes at once: which captures belong to one pass, on one time base, and the transfer from one to the other."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from towertap.analysis import rotation_to_vehicle
from towertap.bench.carried import BenchSummary, records_for
from towertap.capture.host_time import started
from towertap.capture.integrity import check
from towertap.capture.reading import Capture, open_capture
from towertap.compare.model import Drives, Excluded, Pass, name_of
from towertap.compare.passes import began
from towertap.compare.positions import Key, pass_key
from towertap.compare.transfer import EDGES_HZ, PassTransfer, RoadTransfer, road_transfer
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.signals.filters import Array
from towertap.signals.spectra import WelchSum
from towertap.signals.time_base import GRID_HZ, HALF_S, ClockOffset, find_offset, interpolate
from towertap.signals.transfer import PAIRS, SEGMENT_S, Spectra, in_bands, spectra_of

LEAST_OVERLAP_S = 8.0
"""A pass that both boxes recorded for less is not used."""
LOWEST_RATE_HZ = 900.0
"""What `interpolate` asks for."""
BLOCK_S = 16.0
"""Both signals are read in blocks so long."""


def transfers(
    drives: Drives,
    input_position: str,
    *,
    include_unsound: bool = False,
    bench: Path | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[RoadTransfer, ...]:
    """The transfer from the boxes at `input_position` to the passes of `drives`, for each rough road.

    A pass's input is the capture in the same folder of the same vehicle, part, road and pass number, made there at the
    same time. Raises CallError where no capture was made at that position, AnalysisError where no pass can be used.
    """
    inputs, places = _made_at(drives.folder, input_position)
    positions = {one.conditions.box_position for one in drives.passes}
    if input_position in positions:
        raise CallError(f"'{input_position}' is the position that is compared: name another with --input-position")
    if not inputs:
        told = ", ".join(f"'{name}'" for name in sorted(places)) or "not written down"
        raise CallError(f"no capture was made at the box position '{input_position}': positions are {told}")
    rough = [one for road in drives.rough_roads for one in drives.of(road)]
    found: dict[str, list[PassTransfer]] = defaultdict(list)
    excluded: dict[str, list[Excluded]] = defaultdict(list)
    for done, one in enumerate(rough):
        if on_progress:
            on_progress(done, len(rough))
        try:
            transfer = _of_pass(one, inputs[pass_key(one.conditions)], include_unsound, bench)
            found[one.road].append(transfer)
        except TowertapError as error:
            excluded[one.road].append(Excluded(one.name, str(error)))
    if not found:
        first = next(one for road in drives.rough_roads for one in excluded[road])
        raise AnalysisError(f"no pass has a usable input at '{input_position}'; {first.capture}: {first.reason}")
    output = ", ".join(sorted(positions)) or "the box compared"
    return tuple(
        road_transfer(road, (input_position, output), (drives.before, drives.after), found[road], excluded[road])
        for road in drives.rough_roads
    )


def _made_at(folder: Path, position: str) -> tuple[dict[Key, list[Path]], set[str]]:
    """The captures of `folder` made at one position, by pass; and all positions there are."""
    inputs: dict[Key, list[Path]] = defaultdict(list)
    places = set()
    for path in sorted(folder.glob("*.h5")):
        try:
            with open_capture(path) as capture:
                conditions = capture.conditions
        except TowertapError:
            continue  # told when the passes were loaded
        places.add(conditions.box_position)
        if conditions.box_position == position:
            inputs[pass_key(conditions)].append(path)
    return inputs, places - {""}


def _of_pass(one: Pass, candidates: list[Path], include_unsound: bool, bench: Path | None) -> PassTransfer:
    """The transfer of one pass, from that of the `candidates` which was recorded longest at the same time."""
    if not candidates:
        raise AnalysisError("its pass has no capture at the input's position: record both boxes in every pass")
    with ExitStack() as stack:
        output = stack.enter_context(open_capture(one.path))
        inputs = [stack.enter_context(open_capture(path)) for path in candidates]
        overlaps = [_overlap_s(output, other) for other in inputs]
        best = max(range(len(inputs)), key=lambda i: overlaps[i][1] - overlaps[i][0])
        return _of_pair(one, output, inputs[best], overlaps[best], include_unsound, bench)


def _of_pair(
    one: Pass,
    output: Capture,
    other: Capture,
    overlap_s: tuple[float, float, float],
    include_unsound: bool,
    bench: Path | None,
) -> PassTransfer:
    if output.text("raw_sha256") == other.text("raw_sha256"):
        raise AnalysisError(f"{name_of(other.path)} is the same recording under another position")
    integrity = check(other)
    if not integrity.sound and not include_unsound:
        raise AnalysisError(f"its input {name_of(other.path)} is not sound: {'; '.join(integrity.reasons)}")
    start_s, end_s, guess_s = overlap_s
    windows_s = one.windows["start_s"].to_numpy(float)
    span_s = (max(start_s, windows_s[0]), min(end_s, windows_s[-1] + 1.0))
    if span_s[1] - span_s[0] < LEAST_OVERLAP_S:
        raise AnalysisError(
            f"it shares {max(0.0, span_s[1] - span_s[0]):.1f} s with its input {name_of(other.path)}, and "
            f"{LEAST_OVERLAP_S:g} s are needed: start and stop both boxes with the pass"
        )
    carried = records_for(other, bench)
    to_vehicle = rotation_to_vehicle(other, None, carried) @ carried.correction[1]
    moved, moving = Motion(output, one.to_vehicle[2]), Motion(other, to_vehicle[2])
    try:
        offset = find_offset(moved, moving, span_s, guess_s)
    except AnalysisError as error:
        raise AnalysisError(f"with its input {name_of(other.path)}: {error}") from None
    total = WelchSum(GRID_HZ, SEGMENT_S, PAIRS)
    for start in np.arange(*span_s, BLOCK_S):
        time_s = np.arange(start, min(start + BLOCK_S, span_s[1]), 1 / GRID_HZ)
        total.feed(np.array([moving(time_s + offset(time_s)), moved(time_s)]))
    middle = np.array([sum(span_s) / 2])
    return _told(one, other, carried.summary(to_vehicle), offset, float(offset(middle)[0]), spectra_of(total))


def _told(
    one: Pass, other: Capture, bench: BenchSummary, offset: ClockOffset, middle_s: float, spectra: Spectra
) -> PassTransfer:
    bands = in_bands(spectra, EDGES_HZ)
    gain, coherence, chance = (
        tuple(value if math.isfinite(value) else None for value in row.tolist())
        for row in (bands.gain, bands.coherence, bands.chance)
    )
    return PassTransfer(
        capture=one.name,
        input_capture=name_of(other.path),
        side=one.side,
        pass_number=one.conditions.pass_number,
        offset_s=middle_s,
        drift_ppm=1e6 * float((offset.seconds[-1] - offset.seconds[0]) / (offset.knots_s[-1] - offset.knots_s[0])),
        scatter_us=1e6 * offset.scatter_s,
        agreeing=offset.agreeing,
        windows=offset.windows,
        averages=spectra.averages,
        gain=gain,
        coherence=coherence,
        chance=chance,
        input_bench=bench,
        usable_hz=min((told.usable_hz for told in (bench, one.bench) if told and told.usable_hz), default=None),
    )


class Motion:
    """A capture's acceleration along one direction as a function of time, read where it is asked for."""

    def __init__(self, capture: Capture, along: Array) -> None:
        """`along` (3,) is the direction in chip axes, with the calibration's scale."""
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
            here = (rows >= 0) & (rows < piece.n_rows)
            if not here.any():
                continue
            low = max(0, int(rows[here][0]) - margin)
            high = min(piece.n_rows, int(rows[here][-1]) + margin + 1)
            counts = self._capture.counts("acceleration", piece.first_row + low, piece.first_row + high)
            values[here] = interpolate(counts @ self._along, rate_hz, rows[here] - low)
        return values


def _overlap_s(output: Capture, other: Capture) -> tuple[float, float, float]:
    """Start and end of what both recorded, in seconds of the output's clock, and the other's clock less it."""
    starts = [_started_s(one) for one in (output, other)]
    lengths = []
    for one in (output, other):
        last = one.pieces()[-1]
        lengths.append(last.start_time_s + last.n_rows / one.rate_hz)
    guess_s = starts[0] - starts[1]
    return max(0.0, -guess_s), min(lengths[0], lengths[1] - guess_s), guess_s


def _started_s(capture: Capture) -> float:
    """Unix time of the first sample, as near as the capture knows it; AnalysisError where it knows nothing."""
    moment = started(capture, capture.rate_hz)
    if moment:
        return moment.at_s
    begun = began(capture)
    if begun is None:
        raise AnalysisError(
            f"{name_of(capture.path)} does not say when it began: make it from its recording and sidecar"
        )
    return begun.timestamp()
