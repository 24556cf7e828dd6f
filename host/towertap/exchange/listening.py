"""One place of a road before and after, as a sound: the audible counterpart of a pair of spectrograms."""

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
"""Also identifies a sound written by this module."""
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
    """Correlation of the two passes' fingerprints, by which they were aligned; None if both places were given."""

    @property
    def words(self) -> str:
        """What is heard, in one line."""
        return (
            f"{self.before} from {self.before_at_s:.2f} s and {self.after} from {self.after_at_s:.2f} s, "
            f"{self.seconds:g} s each, in turns (announced by a low and a high tone): vertical acceleration from 20 Hz "
            "up, both at the same gain"
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
    """Write a WAV file of one place in two captures of one road, and return what it holds.

    The place begins at `before_at_s` in the first capture; by default it is the roughest that both hold. In the second
    it begins at `after_at_s`; by default it is found by the road's fingerprint. AnalysisError if it is not found, or
    has a gap.
    """
    if path.suffix.lower() != ".wav":
        raise CallError(f"{path}: a sound is written as .wav; give another --out")
    if path.exists() and not (path.is_file() and CAUTION.encode() in ending(path)):
        raise CallError(f"{path}: exists and was not written by 'listen', so it is not replaced; give another --out")
    with open_capture(before) as first, open_capture(after) as second:
        before_at_s, after_at_s, agreement = _place(first, second, seconds, before_at_s, after_at_s)
        before_ms2, after_ms2 = _stretch(first, before_at_s, seconds), _stretch(second, after_at_s, seconds)
        sound = in_turns(before_ms2, first.rate_hz, after_ms2, second.rate_hz)
    listening = Listening(before.stem, after.stem, before_at_s, after_at_s, seconds, agreement)
    with whole_file(path) as unfinished:
        with unfinished.open("wb") as opened, wave.open(opened, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(SOUND_HZ)
            file.writeframes(sound.astype("<i2").tobytes())
        add_comment(unfinished, f"{listening.words}. {CAUTION}")
    return listening


def sounds_of(comparison: Comparison, folder: Path) -> tuple[dict[str, Path], list[str]]:
    """Write a sound for each pair of spectrograms of a report into `folder`; files by picture name, and failures."""
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
    """Acceleration along the vehicle's z for `seconds` starting at `start_s`, (n,) in m/s²."""
    n_rows = round(seconds * capture.rate_hz)
    for piece in capture.pieces():
        row = round((start_s - piece.start_time_s) * capture.rate_hz)
        if row >= 0 and row + n_rows <= piece.n_rows:
            counts = capture.counts("acceleration", piece.first_row + row, piece.first_row + row + n_rows)
            upward: Array = counts * capture.scale_ms2 @ rotation_to_vehicle(capture)[2]
            return upward
    raise AnalysisError(
        f"{capture.path}: there are no {seconds:g} s without a gap from {start_s:.2f} s; choose another place"
    )


def _cells(capture: Capture, metric: str) -> Array:
    """Mean squares of a metric in cells of CELL_S from the capture's start; NaN in cells without a value."""
    windows = analyse_capture(capture, window_s=CELL_S, metrics=[metric], whole=True).columns
    cell = np.rint(windows["start_s"] / CELL_S).astype(int)
    squares = np.full(int(cell[-1]) + 1, np.nan)
    squares[cell] = windows[metric] ** 2
    return squares


def _place(
    first: Capture, second: Capture, seconds: float, before_at_s: float | None, after_at_s: float | None
) -> tuple[float, float, float | None]:
    """Where the place begins in each capture, and the agreement of their fingerprints if they were aligned."""
    if after_at_s is not None:
        return _roughest_s(first, seconds) if before_at_s is None else before_at_s, after_at_s, None
    warp, is_shared, quality = _align(first, second)
    if before_at_s is None:
        before_at_s = _roughest_s(first, seconds, is_shared)
    middle_s = float(warp(np.array([(before_at_s + seconds / 2) / CELL_S]))[0] * CELL_S)
    return before_at_s, max(0.0, middle_s - seconds / 2), quality


def _roughest_s(capture: Capture, seconds: float, is_shared: NDArray[np.bool_] | None = None) -> float:
    """Where the roughest stretch without a gap begins, within the shared cells."""
    squares, n_cells = _cells(capture, ROUGHEST_BY), max(1, round(seconds / CELL_S))
    if is_shared is not None:
        squares = np.where(is_shared[: len(squares)], squares[: len(is_shared)], np.nan)
    means = np.convolve(squares, np.ones(n_cells) / n_cells, "valid") if len(squares) >= n_cells else np.array([np.nan])
    if np.isnan(means).all():
        raise AnalysisError(
            f"{capture.path}: no {seconds:g} s without a gap, after settling, that the other pass also holds; give "
            "fewer --seconds, or a place with --at"
        )
    return float(np.nanargmax(means) * CELL_S)


def _align(first: Capture, second: Capture) -> tuple[Warp, NDArray[np.bool_], float]:
    """The warp from cells of the first pass to those of the second, which cells both hold, and their agreement."""
    prints = [fingerprint(_cells(capture, FINGERPRINT)) for capture in (first, second)]
    warp = find_warp(*prints)
    quality, is_shared = agreement(prints[0], warp, prints[1])
    if is_shared.sum() * CELL_S >= LEAST_OVERLAP_S and quality >= LEAST_QUALITY:
        return warp, is_shared, quality
    raise AnalysisError(
        f"{second.path}: the road's fingerprint does not show where the place is; give it with --after-at, in s"
    )
