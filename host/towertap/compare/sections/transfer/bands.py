"""A road's transfer from input to output by third-octave bands, after against before, with the pass as the unit."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from towertap.bench.carried import BenchSummary
from towertap.compare.caution import Caution
from towertap.compare.drives.model import SIDES, Excluded, Side
from towertap.compare.findings import instrument
from towertap.compare.stats.joint import joint_intervals
from towertap.signals.bands import NOMINAL, edges_hz
from towertap.words.numbers import change_percent
from towertap.words.phrases import listed

LEAST_COHERENCE = 0.5
"""A band is not judged if less than half of the output's power follows the input in any pass."""
NAMES = NOMINAL[: NOMINAL.index("200") + 1]
"""Third-octave bands from 5 to 200 Hz: lower ones have one spectral line, higher ones need a better time base."""
EDGES_HZ = np.array([edges_hz(name) for name in NAMES])


@dataclass(frozen=True)
class PassTransfer:
    """One pass, recorded by two boxes at once.

    `offset_s` is the input's clock minus the output's in the middle of the pass, each counted from its first sample;
    `drift_ppm` is its rate of change, `scatter_us` the standard deviation of single 2 s windows about it, and
    `agreeing` of `windows` agreed in the search. `averages` is the number of independent averages in the spectra.

    By band, None without a spectral line: `gain`, output over input of what follows; `coherence`, the share of the
    output's power that follows; `chance`, the coherence that chance exceeds 1 time in 20. `input_bench` are the bench
    records of the input's box; both mountings carry up to `usable_hz` by their tap records, None without one.
    """

    capture: str
    input_capture: str
    pass_number: int | None
    offset_s: float
    drift_ppm: float
    scatter_us: float
    agreeing: int
    windows: int
    averages: float
    gain: tuple[float | None, ...]
    coherence: tuple[float | None, ...]
    chance: tuple[float | None, ...]
    input_bench: BenchSummary
    usable_hz: float | None
    side: Side = "before"


@dataclass(frozen=True)
class TransferBand:
    """One third-octave band of a road: `hz` is its exact mid-band frequency, `name` the nominal one.

    `before` and `after` are geometric means of the passes' gains, `ratio` = after / before; `interval` is joint at 95 %
    over all judged bands (`stats.joint`). A side's coherence is the lowest of its passes. If any pass is not coherent,
    `judged` is False and `ratio` and `interval` are None; `interval` alone is None if a side has one pass or no spread.
    """

    hz: float
    name: str
    before: float | None
    after: float | None
    before_coherence: float
    after_coherence: float
    chance: float
    judged: bool
    ratio: float | None
    interval: tuple[float, float] | None

    @property
    def shown(self) -> int:
        """The sign of a change that the interval shows, else 0."""
        return int(self.interval[0] > 1) - int(self.interval[1] < 1) if self.interval else 0

    @property
    def size(self) -> float:
        """The magnitude of the change, |ln ratio|."""
        return abs(math.log(self.ratio or 1.0))


@dataclass(frozen=True)
class RoadTransfer:
    """How the box at `output` follows the one at `input` on one road, along the vehicle's vertical axis.

    `bands` is empty unless both sides have passes. `excluded` are the passes that could not be used, with reasons.
    `words` states the result as part of a sentence.
    """

    road: str
    input: str
    output: str
    bands: tuple[TransferBand, ...]
    passes: tuple[PassTransfer, ...]
    excluded: tuple[Excluded, ...]
    words: str
    cautions: tuple[Caution, ...]


def road_transfer(
    road: str,
    positions: tuple[str, str],
    parts: tuple[str, str],
    passes: Sequence[PassTransfer],
    excluded: Sequence[Excluded],
) -> RoadTransfer:
    """Compare the passes of the two sides; `positions` are input and output, `parts` before and after."""
    counts = [sum(drive.side == side for drive in passes) for side in SIDES]
    bands = _bands(passes) if all(counts) else ()
    return RoadTransfer(
        road=road,
        input=positions[0],
        output=positions[1],
        bands=bands,
        passes=tuple(passes),
        excluded=tuple(excluded),
        words=describe(road, positions, parts, bands, counts),
        cautions=tuple(box_cautions(positions[0], passes)),
    )


def box_cautions(input_position: str, passes: Sequence[PassTransfer]) -> Iterable[Caution]:
    """Cautions about the input's box, and about bands in which a mounting resonates."""
    for caution in instrument.cautions({drive.input_capture: drive.input_bench for drive in passes}):
        yield replace(caution, words=f"The box at {input_position}: {caution.words}")
    usable_hz = min((drive.usable_hz for drive in passes if drive.usable_hz), default=math.inf)
    if usable_hz < EDGES_HZ[-1, 1]:
        yield Caution(
            f"Above {usable_hz:.0f} Hz the transfer includes the resonance of a box's own mounting, by its tap record."
        )


def _bands(passes: Sequence[PassTransfer]) -> tuple[TransferBand, ...]:
    """The change in every band."""
    gain, coherence, chance = (
        np.array([[value or np.nan for value in getattr(drive, name)] for drive in passes])
        for name in ("gain", "coherence", "chance")
    )
    after = np.array([drive.side == "after" for drive in passes])
    judged = (np.isfinite(gain) & (coherence >= np.maximum(LEAST_COHERENCE, chance))).all(axis=0)
    logs, changes = np.log(gain), np.full((3, len(NAMES)), np.nan)
    changes[:, judged] = joint_intervals(logs[~after][:, judged], logs[after][:, judged])
    means = [np.exp(logs[side].mean(axis=0)) for side in (~after, after)]
    lowest = [np.nan_to_num(coherence[side]).min(axis=0) for side in (~after, after)]
    by_chance = np.nan_to_num(chance, nan=1.0).max(axis=0)
    return tuple(
        TransferBand(
            hz=float(np.sqrt(EDGES_HZ[band].prod())),
            name=name,
            before=_known(means[0][band]),
            after=_known(means[1][band]),
            before_coherence=float(lowest[0][band]),
            after_coherence=float(lowest[1][band]),
            chance=float(by_chance[band]),
            judged=bool(judged[band]),
            ratio=_known(changes[0, band]),
            interval=None if np.isnan(changes[1, band]) else (float(changes[1, band]), float(changes[2, band])),
        )
        for band, name in enumerate(NAMES)
    )


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def describe(
    road: str,
    positions: tuple[str, str],
    parts: tuple[str, str],
    bands: Sequence[TransferBand],
    counts: Sequence[int],
) -> str:
    """A road's transfer as part of a sentence; neighbouring bands with the same change are merged."""
    source, output = positions
    if not min(counts):
        return f"{road}: no pass with {parts[bool(counts[0])]} was recorded by both boxes"
    judged = [band for band in bands if band.judged]
    if not judged:
        return f"{road}: {output} does not follow {source} in any band"
    if not any(band.interval for band in judged):
        return f"{road}: one pass on a side cannot distinguish a change from chance"
    runs = [list(run) for change, run in groupby(bands, key=lambda band: band.shown) if change]
    if not runs:
        return f"{road}: no change in how {output} follows {source} is shown"
    return f"{road}: {output} follows {source} {listed([_run(run) for run in runs])} with {parts[1]}"


def _run(run: Sequence[TransferBand]) -> str:
    """A run of bands: the one that changed most, and the range."""
    most = max(run, key=lambda band: band.size)
    size = f"{change_percent(most.ratio or 1.0, most.interval)} at {most.name} Hz"
    return size if len(run) == 1 else f"{size} (shown from {run[0].name} to {run[-1].name})"
