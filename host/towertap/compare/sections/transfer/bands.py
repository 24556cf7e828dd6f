"""Input to output, before against after: a road's transfer by third-octave bands, with the pass as the unit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from towertap.bench.carried import BenchSummary
from towertap.compare.drives.model import SIDES, Excluded, Side
from towertap.compare.findings import instrument
from towertap.compare.stats.joint import joint_intervals
from towertap.signals.bands import NOMINAL, edges_hz

LEAST_COHERENCE = 0.5
"""A band in which less than half of the output's power follows the input, in any pass, is not judged."""
NAMES = NOMINAL[: NOMINAL.index("200") + 1]
"""Third-octave bands from 5 to 200 Hz; a lower one has one line, a higher one asks more of the common time base."""
EDGES_HZ = np.array([edges_hz(name) for name in NAMES])


@dataclass(frozen=True)
class PassTransfer:
    """One pass, recorded by two boxes at once.

    `offset_s` is the input's clock less the output's in the middle of the pass, each counted from its first sample,
    `drift_ppm` how far the one gains on the other, `scatter_us` how far single windows of 2 s stray about that (one
    standard deviation); `agreeing` of `windows` agreed when it was looked for. `averages` is the number of independent
    averages behind the spectra. By band: `gain`, output over input of what follows; `coherence`, the part of the
    output's power that follows; `chance`, what chance exceeds 1 time in 20. None in a band without a line.
    `input_bench` is what the bench says of the input's box; `usable_hz` up to where both mountings carry, by their tap
    records, None without one.
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
    """As the drives have it."""


@dataclass(frozen=True)
class TransferBand:
    """One third-octave band of a road: `hz` its exact middle, `name` its nominal one.

    `before` and `after` are geometric means of the passes' gains, `ratio` = after / before; `interval` holds
    it with 95 % together with all other bands judged (`stats.joint`). The lowest `coherence` of a side's
    passes is that of the side. `judged` is False, and `ratio` and `interval` None, where a pass is not coherent;
    `interval` alone is None where a side has one pass or no spread.
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


@dataclass(frozen=True)
class RoadTransfer:
    """How the box at `output` follows the one at `input` on one road, along the vehicle's vertical axis.

    `excluded` are the passes that could not be used and why; `words` the finding, `cautions` what goes with it.
    """

    road: str
    input: str
    output: str
    bands: tuple[TransferBand, ...]
    passes: tuple[PassTransfer, ...]
    excluded: tuple[Excluded, ...]
    words: str
    cautions: tuple[str, ...]


def road_transfer(
    road: str,
    positions: tuple[str, str],
    parts: tuple[str, str],
    passes: Sequence[PassTransfer],
    excluded: Sequence[Excluded],
) -> RoadTransfer:
    """Hold the passes of the two sides against each other; `positions` are input and output, `parts` before, after."""
    sides = [[drive for drive in passes if drive.side == side] for side in SIDES]
    judged = [all(sides) and all(_coherent(drive, band) for drive in passes) for band in range(len(NAMES))]
    changes = _changes(sides, [band for band, drive in enumerate(judged) if drive])
    bands = tuple(_band(sides, band, changes.get(band)) for band in range(len(NAMES)))
    return RoadTransfer(
        road=road,
        input=positions[0],
        output=positions[1],
        bands=bands,
        passes=tuple(passes),
        excluded=tuple(excluded),
        words=describe(road, positions, parts, bands, (len(sides[0]), len(sides[1]))),
        cautions=tuple(_cautions(positions[0], passes)),
    )


def _cautions(input_position: str, passes: Sequence[PassTransfer]) -> Iterable[str]:
    """What the bench says of the input's box, and bands in which a mounting rings along."""
    for line in instrument.warnings({drive.input_capture: drive.input_bench for drive in passes}):
        yield f"The box at {input_position}: {line}."
    usable_hz = min((drive.usable_hz for drive in passes if drive.usable_hz), default=math.inf)
    if usable_hz < EDGES_HZ[-1, 1]:
        yield f"Above {usable_hz:.0f} Hz a box's own mounting rings along, by its tap record, and is in the transfer."


def _coherent(drive: PassTransfer, band: int) -> bool:
    coherence, chance = drive.coherence[band], drive.chance[band]
    if coherence is None or chance is None or not drive.gain[band]:
        return False
    return coherence >= max(LEAST_COHERENCE, chance)


def _changes(sides: Sequence[Sequence[PassTransfer]], judged: Sequence[int]) -> dict[int, tuple[float, float, float]]:
    """Ratio and ends of its interval by judged band; NaN for ends where passes do not tell how far they stray."""
    if not judged:
        return {}
    before, after = (np.log([[drive.gain[band] or np.nan for band in judged] for drive in side]) for side in sides)
    ratios, lows, highs = (of.tolist() for of in joint_intervals(before, after))
    return dict(zip(judged, zip(ratios, lows, highs, strict=True), strict=True))


def _band(
    sides: Sequence[Sequence[PassTransfer]], band: int, change: tuple[float, float, float] | None
) -> TransferBand:
    logs = [np.log([drive.gain[band] or np.nan for drive in side]) for side in sides]
    means = [float(np.exp(side.mean())) if side.size and np.isfinite(side).all() else None for side in logs]
    return TransferBand(
        hz=float(np.sqrt(EDGES_HZ[band].prod())),
        name=NAMES[band],
        before=means[0],
        after=means[1],
        before_coherence=min((drive.coherence[band] or 0.0 for drive in sides[0]), default=0.0),
        after_coherence=min((drive.coherence[band] or 0.0 for drive in sides[1]), default=0.0),
        chance=max((drive.chance[band] or 1.0 for side in sides for drive in side), default=1.0),
        judged=change is not None,
        ratio=change[0] if change else None,
        interval=change[1:] if change and not math.isnan(change[1]) else None,
    )


def describe(
    road: str,
    positions: tuple[str, str],
    parts: tuple[str, str],
    bands: Sequence[TransferBand],
    counts: tuple[int, int],
) -> str:
    """What a road's transfer says, in sentences; runs of neighbouring bands that changed alike are told as one."""
    before, after = parts
    sentences = []
    if not min(counts):
        return (
            f"{road}: no pass {'with ' + (after if counts[0] else before)} was recorded by both boxes, so there is "
            "nothing to compare."
        )
    judged = [band for band in bands if band.judged]
    if not judged:
        return f"{road}: {positions[1]} does not follow {positions[0]} in any band: nothing can be said of a change."
    for change, run in groupby(bands, key=_change):
        run_bands = list(run)
        if change:
            ratios = [band.ratio for band in run_bands if band.ratio]
            much = "more" if change > 0 else "less"
            sentences.append(
                f"{_span(run_bands)} {positions[1]} follows {positions[0]} {much} with {after} than with {before}: "
                f"{_range(ratios)} times as strongly"
            )
    unchanged = [band for band in judged if not _change(band)]
    tested = any(band.interval for band in judged)
    words = f"{road}: {'; '.join(sentences)}. " if sentences else f"{road}: "
    if not tested:
        words += "A side with one pass does not show how far passes differ, so no change can be told from chance. "
    elif unchanged:
        words += (
            f"{'In the other' if sentences else 'In all'} {len(unchanged)} coherent bands the intervals hold 1: no "
            "change is shown there, which is not evidence that there is none. "
        )
    lost = [band for band in bands if not band.judged]
    if lost:
        words += f"Not coherent, and not judged: {_listed_spans(bands)}. "
    together = f", with 95 % intervals that hold for all {len(judged)} bands together" if tested else ""
    return f"{words}Ratios rest on {counts[0]} and {counts[1]} passes{together}."


def _change(band: TransferBand) -> int:
    """+1 where the interval lies above 1, −1 where below, else 0."""
    if band.interval is None:
        return 0
    return int(band.interval[0] > 1) - int(band.interval[1] < 1)


def _span(bands: Sequence[TransferBand]) -> str:
    return f"at {bands[0].name} Hz" if len(bands) == 1 else f"from {bands[0].name} to {bands[-1].name} Hz"


def _listed_spans(bands: Sequence[TransferBand]) -> str:
    return ", ".join(_span(list(run)) for judged, run in groupby(bands, key=lambda band: band.judged) if not judged)


def _range(ratios: Sequence[float]) -> str:
    low, high = (f"{value:.2f}" for value in (min(ratios), max(ratios)))
    return low if low == high else f"{low} to {high}"
