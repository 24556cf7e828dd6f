"""Finds where a box lies still with a face up, as the samples come or in a recording."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WINDOW_S = 0.5
STILL_MS2 = 0.1
"""Largest standard deviation within a window: a quiet table with three times the sensor's noise."""

STEP_MS2 = 0.03
"""Largest change of the mean from window to window: a slow turn of 0.2 °/s."""

TRIMMED = 1
"""Windows dropped at either end of a stretch: the hand is still near."""

FEWEST_WINDOWS = 6
"""Windows of a pose, trimmed: fewer do not tell their own scatter."""

HOLD_S = 10.0
"""How long a person is asked to let it lie: the noise of the mean is then some 20 µg."""

STEEPEST = np.cos(np.deg2rad(15.0))
"""A face counts as up when gravity lies within 15° of its axis."""

FACES = ("+x", "-x", "+y", "-y", "+z", "-z")


@dataclass(frozen=True, eq=False)
class Pose:
    """One still stretch: the face that is up, and the means of its windows (n, 3) in m/s²."""

    face: str
    windows: Array

    @property
    def mean(self) -> Array:
        """Mean specific force (3,)."""
        mean: Array = self.windows.mean(axis=0)
        return mean

    @property
    def seconds(self) -> float:
        """Length."""
        return len(self.windows) * WINDOW_S

    @property
    def direction(self) -> Array:
        """The chip axis that points up, (3,) of −1, 0 and 1."""
        return np.where(np.arange(3) == "xyz".index(self.face[1]), -1.0 if self.face[0] == "-" else 1.0, 0.0)


class PoseFinder:
    """Fed with accelerations in order; keeps the poses that are over, and knows how the box lies now."""

    def __init__(self, rate_hz: float) -> None:
        self.poses: list[Pose] = []
        self.leaning: list[float] = []
        """Angles in degrees from the nearest face, of still stretches that have no face up."""
        self._rows = max(2, round(WINDOW_S * rate_hz))
        self._rest: Array = np.empty((0, 3))
        self._stretch: list[Array] = []

    def take(self, acceleration: Array) -> None:
        """Take the next samples (n, 3), m/s²."""
        samples = np.concatenate([self._rest, acceleration])
        whole = len(samples) // self._rows * self._rows
        self._rest = samples[whole:]
        windows = samples[:whole].reshape(-1, self._rows, 3)
        for mean, spread in zip(windows.mean(axis=1), windows.std(axis=1).max(axis=1), strict=True):
            still = spread <= STILL_MS2
            if not still or (self._stretch and np.abs(mean - self._stretch[-1]).max() > STEP_MS2):
                self._close()
            if still:
                self._stretch.append(mean)

    def interrupt(self) -> None:
        """A gap or the end: what lies still so far is a pose of its own."""
        self._close()
        self._rest = np.empty((0, 3))

    @property
    def now(self) -> tuple[str | None, float]:
        """The face that is up and for how many seconds, trimmed; None while it moves or leans."""
        kept = len(self._stretch) - 2 * TRIMMED
        return (_face(self._stretch[-1])[0], kept * WINDOW_S) if kept > 0 else (None, 0.0)

    def longest_s(self) -> dict[str, float]:
        """Longest pose so far of each face that was seen, in seconds; the present one included."""
        longest: dict[str, float] = {}
        for face, seconds in [*((pose.face, pose.seconds) for pose in self.poses), self.now]:
            if face:
                longest[face] = max(longest.get(face, 0.0), seconds)
        return longest

    def _close(self) -> None:
        stretch, self._stretch = self._stretch[TRIMMED:-TRIMMED], []
        if len(stretch) < FEWEST_WINDOWS:
            return
        windows = np.array(stretch)
        face, leans = _face(windows.mean(axis=0))
        if face:
            self.poses.append(Pose(face, windows))
        else:
            self.leaning.append(leans)


def find_poses(stretches: Iterable[Iterable[Array]], rate_hz: float) -> PoseFinder:
    """The poses of a recording, given as stretches without gaps, each in blocks (n, 3) of m/s²."""
    finder = PoseFinder(rate_hz)
    for blocks in stretches:
        for block in blocks:
            finder.take(block)
        finder.interrupt()
    return finder


def _face(mean: Array) -> tuple[str | None, float]:
    """The face that is up, None when there is none, and the angle from it in degrees."""
    part = np.abs(mean) / max(float(np.linalg.norm(mean)), 1e-9)
    axis = int(part.argmax())
    angle = float(np.rad2deg(np.arccos(min(part[axis], 1.0))))
    return (("-" if mean[axis] < 0 else "+") + "xyz"[axis] if part[axis] >= STEEPEST else None), angle
