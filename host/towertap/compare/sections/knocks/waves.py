"""What is kept of a capture's knocks: each one described, and the waveform of those that may be drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
import scipy

from towertap.analysis import Analysis
from towertap.capture.reading import Capture
from towertap.compare.drives.model import SIDES, Drives, Pass, Side
from towertap.signals.bands import design
from towertap.signals.filters import Array
from towertap.signals.knocks import Knock, Thresholds, band_hz

NAME = "knocks"
"""Of the section, and of what it takes from each capture."""
TYPICAL = 3
"""So many a side are drawn: those whose peaks are nearest to the side's median."""
KEPT = 24
"""So many waveforms are kept of a capture: those nearest to its own median."""
AROUND_S = (-0.03, 0.06)
SETTLE_S = 0.3
"""So much more is filtered at either end than is drawn."""


@dataclass(frozen=True, eq=False)
class Waveform:
    """A knock as it is drawn: time from its onset in s and in-band m/s², (n,) each, on its strongest axis."""

    knock: Knock
    time_s: Array
    acceleration_ms2: Array
    axis: str


@dataclass(frozen=True, eq=False)
class KnocksOfCapture:
    """All knocks of a capture in order, times from its first sample, with the waveforms of typical ones.

    `thresholds` are what a knock had to reach in each of its pieces.
    """

    knocks: tuple[Knock, ...]
    thresholds: tuple[Thresholds, ...]
    waves: tuple[Waveform, ...]


Waves = Mapping[Side, Sequence[Waveform]]
"""What is drawn of a road, by side."""


def listen(capture: Capture, analysis: Analysis) -> KnocksOfCapture | None:
    """The knocks of an open capture with typical waveforms; None where its rate is too low to listen."""
    knocks, thresholds = analysis.knocks, analysis.thresholds
    if knocks is None or thresholds is None:
        return None
    waves = tuple(_waveform(capture, analysis.to_vehicle, knock) for knock in nearest_to_median(knocks, KEPT))
    return KnocksOfCapture(knocks, thresholds, waves)


def nearest_to_median(knocks: Sequence[Knock], count: int) -> list[Knock]:
    """The knocks whose peaks are nearest to the median of all, nearest first."""
    middle = median(knock.peak_ms2 for knock in knocks) if knocks else 0.0
    return sorted(knocks, key=lambda knock: abs(knock.peak_ms2 - middle))[:count]


def typical_of(drives: Drives, road: str) -> Waves | None:
    """Up to TYPICAL knocks of each side, of peaks nearest to the side's median; None where none has a waveform."""
    chosen = {side: _typical(drives.of(road, side)) for side in SIDES}
    return chosen if any(chosen.values()) else None


def _typical(passes: Sequence[Pass]) -> list[Waveform]:
    measured = [drive.measured[NAME] for drive in passes if drive.measured.get(NAME)]
    waves = {_identity(wave.knock): wave for of_pass in measured for wave in of_pass.waves}
    knocks = [knock for of_pass in measured for knock in of_pass.knocks]
    nearest = map(_identity, nearest_to_median(knocks, len(knocks)))
    return [waves[identity] for identity in nearest if identity in waves][:TYPICAL]


def _identity(knock: Knock) -> tuple[float, float]:
    """What tells a knock from others, also when it was kept and read again."""
    return knock.onset_s, knock.peak_ms2


def _waveform(capture: Capture, to_vehicle: Array, knock: Knock) -> Waveform:
    rate_hz = capture.rate_hz
    piece = [piece for piece in capture.pieces() if piece.start_time_s <= knock.onset_s][-1]
    middle = (knock.onset_s - piece.start_time_s) * rate_hz
    first, last = (
        int(np.clip(middle + (at + pad) * rate_hz, 0, piece.n_rows))
        for at, pad in zip(AROUND_S, (-SETTLE_S, SETTLE_S), strict=True)
    )
    counts = capture.counts("acceleration", piece.first_row + first, piece.first_row + last)
    readings = counts * capture.scale_ms2 @ to_vehicle.T
    values = scipy.signal.sosfiltfilt(design(band_hz(rate_hz), rate_hz).sos, readings, axis=0)
    time_s = np.asarray((np.arange(first, last) - middle) / rate_hz, np.float64)
    drawn = (time_s >= AROUND_S[0]) & (time_s <= AROUND_S[1])
    axis = int(np.abs(values[drawn]).max(axis=0).argmax())
    return Waveform(knock, time_s[drawn], values[drawn, axis], "xyz"[axis])
