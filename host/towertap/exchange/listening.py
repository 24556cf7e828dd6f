"""Before and after of one place of a road as a sound: for the ears what the pair of spectrograms is for the eyes."""

import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from towertap.analysis import analyse_capture
from towertap.bench.mounted import rotation_to_vehicle
from towertap.capture.reading import Capture, open_capture
from towertap.compare.comparison import Comparison
from towertap.compare.drives.model import CELL_S
from towertap.compare.road.alignment import LEAST_OVERLAP_S, LEAST_QUALITY, Warp, agreement, find_warp, fingerprint
from towertap.compare.road.places import FINGERPRINT
from towertap.doors.whole_file import whole_file
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.exchange.exports.wav import add_comment, ending
from towertap.signals.filters import Array
from towertap.signals.sound import SOUND_HZ, in_turns

CAUTION = (
    "Turn the volume down before you listen, above all with headphones: a knock is far louder than what is around it. "
    "A hard point of the body is not an ear: the sound is that of the metal, not of the cabin."
)
SECONDS = 4.0
ROUGHEST_BY = "acceleration_z"


@dataclass(frozen=True)
class Listening:
    """What a sound holds: `seconds` from `before_at_s` of one capture and from `after_at_s` of the other."""

    before: str
    after: str
    before_at_s: float
    after_at_s: float
    seconds: float
    agreement: float | None
    """Correlation of the two passes' fingerprints, by which the place was found again; None where it was told."""

    @property
    def words(self) -> str:
        """What is heard, in one line."""
        return (
            f"{self.before} from {self.before_at_s:.2f} s and {self.after} from {self.after_at_s:.2f} s, "
            f"{self.seconds:g} s each, in turns (a low tone before the one, a high tone before the other): vertical "
            "acceleration, 20 Hz up, both at the same gain"
        )


def listen(
    before: Path,
    after: Path,
    path: Path,
    *,
    seconds: float = SECONDS,
    before_at_s: float | None = None,
    after_at_s: float | None = None,
) -> Listening:
    """Write a WAV file of one place in two captures of one road; what is in it.

    The place is the roughest that both hold, or begins at `before_at_s` in the first; it is found in the second by the
    road's fingerprint, or begins at `after_at_s`. AnalysisError where it is not found again, or lies in a gap.
    """
    if path.suffix.lower() != ".wav":
        raise CallError(f"{path}: a sound is written as .wav; give another --out")
    if path.exists() and not (path.is_file() and CAUTION.encode() in ending(path)):
        raise CallError(f"{path}: there already, and no sound of ours: not replaced; give another --out")
    with open_capture(before) as first, open_capture(after) as second:
        before_at_s, after_at_s, quality = _place(first, second, seconds, before_at_s, after_at_s)
        stretches = [_stretch(capture, at_s, seconds) for capture, at_s in ((first, before_at_s), (second, after_at_s))]
        sound = in_turns(stretches[0], first.rate_hz, stretches[1], second.rate_hz)
    listening = Listening(before.stem, after.stem, before_at_s, after_at_s, seconds, quality)
    with whole_file(path) as unfinished:
        with unfinished.open("wb") as opened, wave.open(opened, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(SOUND_HZ)
            file.writeframes(sound.astype("<i2").tobytes())
        add_comment(unfinished, f"{listening.words}. {CAUTION}")
    return listening


def sounds_of(comparison: Comparison, folder: Path) -> tuple[dict[str, Path], list[str]]:
    """A sound beside each pair of spectrograms of a report in `folder`, by the picture's name; and what failed, why."""
    evidence = comparison.evidence.get("thirds")
    paths = {drive.name: drive.path for drive in comparison.drives.passes}
    sounds: dict[str, Path] = {}
    failures = []
    for number, road in enumerate(evidence.drawn[-1] if evidence else (), start=1):
        before, after = (paths[name] for name in road.passes)
        try:
            listen(before, after, folder / f"sound_{number}.wav")
        except TowertapError as error:
            failures.append(f"no sound of {road.bands.road}: {error}")
        else:
            sounds[f"spectrogram_{number}"] = folder / f"sound_{number}.wav"
    return sounds, failures


def _stretch(capture: Capture, start_s: float, seconds: float) -> Array:
    """Acceleration of `seconds` from `start_s` on, (n,) in m/s², along the vehicle's z."""
    for piece in capture.pieces():
        row = round((start_s - piece.start_time_s) * capture.rate_hz)
        rows = round(seconds * capture.rate_hz)
        if row >= 0 and row + rows <= piece.n_rows:
            counts = capture.counts("acceleration", piece.first_row + row, piece.first_row + row + rows)
            upward: Array = counts * capture.scale_ms2 @ rotation_to_vehicle(capture)[2]
            return upward
    raise AnalysisError(f"{capture.path}: no {seconds:g} s without a gap from {start_s:.2f} s on: name another place")


def _cells(capture: Capture, metric: str) -> Array:
    """Mean squares of a metric in cells of CELL_S from the capture's start, NaN where there is nothing."""
    windows = analyse_capture(capture, window_s=CELL_S, metrics=[metric], whole=True).columns
    cell = np.rint(windows["start_s"] / CELL_S).astype(int)
    squares = np.full(int(cell[-1]) + 1, np.nan)
    squares[cell] = windows[metric] ** 2
    return squares


def _place(
    first: Capture, second: Capture, seconds: float, before_at_s: float | None, after_at_s: float | None
) -> tuple[float, float, float | None]:
    """Where the place begins in either capture, and how well the two agree where it was found again."""
    if after_at_s is not None:
        return _roughest_s(first, seconds) if before_at_s is None else before_at_s, after_at_s, None
    warp, shared, quality = _found_again(first, second)
    if before_at_s is None:
        before_at_s = _roughest_s(first, seconds, shared)
    middle = warp(np.array([(before_at_s + seconds / 2) / CELL_S]))[0] * CELL_S
    return before_at_s, max(0.0, float(middle) - seconds / 2), quality


def _roughest_s(capture: Capture, seconds: float, wanted: NDArray[np.bool_] | None = None) -> float:
    """Where the roughest stretch without a gap begins, among the `wanted` cells."""
    squares, cells = _cells(capture, ROUGHEST_BY), max(1, round(seconds / CELL_S))
    if wanted is not None:
        squares = np.where(wanted[: len(squares)], squares[: len(wanted)], np.nan)
    level = np.convolve(squares, np.ones(cells) / cells, "valid") if len(squares) >= cells else np.array([np.nan])
    if np.isnan(level).all():
        raise AnalysisError(
            f"{capture.path}: no settled {seconds:g} s without a gap that the other pass holds too; give fewer "
            "--seconds, or say a place with --at"
        )
    return float(np.nanargmax(level) * CELL_S)


def _found_again(first: Capture, second: Capture) -> tuple[Warp, NDArray[np.bool_], float]:
    """Cells of the first pass to those of the second, which of them both hold, and how well the two agree."""
    prints = [fingerprint(_cells(capture, FINGERPRINT)) for capture in (first, second)]
    warp = find_warp(*prints)
    quality, both = agreement(prints[0], warp, prints[1])
    if both.sum() * CELL_S >= LEAST_OVERLAP_S and quality >= LEAST_QUALITY:
        return warp, both, quality
    raise AnalysisError(
        f"{second.path}: the place is not found again by the road's fingerprint: name it with --after-at, in s"
    )
