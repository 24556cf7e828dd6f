"""Finds when a box lies still with a face up, live or in a recording."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WINDOW_S = 0.5
STILL_MS2 = 0.1
"""Largest standard deviation within a window: three times the sensor's noise, on a quiet table."""

STEP_MS2 = 0.03
"""Largest change of the mean from window to window: a slow turn of 0.2 °/s."""

TRIMMED = 1
"""Windows dropped at either end of a still stretch, while the hand is near."""

FEWEST_WINDOWS = 6
"""Windows of a trimmed pose; fewer do not show their own scatter."""

HOLD_S = 10.0
"""How long a person is asked to let it lie; the noise of the mean is then some 20 µg."""

STEEPEST = np.cos(np.deg2rad(15.0))
"""A face counts as up when gravity lies within 15° of its axis."""

FACES = ("+x", "-x", "+y", "-y", "+z", "-z")


@dataclass(frozen=True, eq=False)
class Pose:
    """One still stretch: the face that is up, and its window means (n, 3) in m/s²."""

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
    """Takes accelerations in order; keeps the finished poses, and knows how the box lies now."""

    def __init__(self, rate_hz: float) -> None:
        self.poses: list[Pose] = []
        self.leaning: list[float] = []
        """Angles in degrees from the nearest face, of still stretches without a face up."""
        self._rows = max(2, round(WINDOW_S * rate_hz))
        self._pending: Array = np.empty((0, 3))
        self._stretch: list[Array] = []

    def take(self, acceleration: Array) -> None:
        """Take the next samples (n, 3), m/s²."""
        samples = np.concatenate([self._pending, acceleration])
        end = len(samples) // self._rows * self._rows
        self._pending = samples[end:]
        windows = samples[:end].reshape(-1, self._rows, 3)
        for mean, spread in zip(windows.mean(axis=1), windows.std(axis=1).max(axis=1), strict=True):
            still = spread <= STILL_MS2
            if not still or (self._stretch and np.abs(mean - self._stretch[-1]).max() > STEP_MS2):
                self._close()
            if still:
                self._stretch.append(mean)

    def interrupt(self) -> None:
        """End the present pose, at a gap or the end."""
        self._close()
        self._pending = np.empty((0, 3))

    @property
    def now(self) -> tuple[str | None, float]:
        """The face that is up and for how many seconds, trimmed; None while it moves or leans."""
        windows = len(self._stretch) - 2 * TRIMMED
        return (_face(self._stretch[-1])[0], windows * WINDOW_S) if windows > 0 else (None, 0.0)

    def longest_s(self) -> dict[str, float]:
        """Longest pose so far of each face seen, in seconds, including the present one."""
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
        face, angle_deg = _face(windows.mean(axis=0))
        if face:
            self.poses.append(Pose(face, windows))
        else:
            self.leaning.append(angle_deg)


def find_poses(stretches: Iterable[Iterable[Array]], rate_hz: float) -> PoseFinder:
    """The poses of a recording, given as stretches without gaps, each as blocks (n, 3) in m/s²."""
    finder = PoseFinder(rate_hz)
    for blocks in stretches:
        for block in blocks:
            finder.take(block)
        finder.interrupt()
    return finder


def _face(mean: Array) -> tuple[str | None, float]:
    """The face that is up, or None, and the angle in degrees from the nearest one."""
    cosines = np.abs(mean) / max(float(np.linalg.norm(mean)), 1e-9)
    axis = int(cosines.argmax())
    angle_deg = float(np.rad2deg(np.arccos(min(cosines[axis], 1.0))))
    return (("-" if mean[axis] < 0 else "+") + "xyz"[axis] if cosines[axis] >= STEEPEST else None), angle_deg
