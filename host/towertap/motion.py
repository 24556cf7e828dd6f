"""What the vehicle did in each tenth of a second of a capture: drive, stand, pull away or brake to a stop.

A pass is a drive over a road at speed, so standing, pulling away and braking to a stop are left out, by one rule for
all captures. A rolling vehicle always turns about some axis, from steering and road; a standing one does not, whatever
its engine does. Without a gyroscope the level of wheel hop decides instead, against an absolute limit and against the
pass's own level.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.capture.reading import Capture, Piece
from towertap.capture.speed_log import SpeedLog
from towertap.signals.bands import BANDS, design
from towertap.signals.filters import CARRIED

Array = NDArray[np.float64]
Cells = NDArray[np.bool_]
Course = NDArray[Any]
"""Floating point; single precision when read from a capture, to save memory."""

CELL_S = 0.1
STEPS_HZ = 200.0
"""Readings are first averaged to about this rate; wheel hop ends at 25 Hz."""

LEVEL_CELLS, TURNING_CELLS = 10, 20
"""Wheel-hop level is measured over one second, turning over two."""
STILL_RADS = math.radians(0.1)
"""Standard deviation of a cell's rotation rate about any axis. A chip's noise is a tenth of this; the smoothest rolling
on a fresh road is three times this."""
IDLING_MS2 = 0.3
"""Wheel-hop level of a vehicle that does not turn; an idling engine stays below it."""
CALM_RADS, CALM_MS2, CALM_SHARE = math.radians(0.25), 0.12, 0.2
"""People getting in and out turn a standing vehicle. The level must then be this low, and this low a share of the
pass's own (its LOUD quantile). Without a gyroscope this is the only test."""
LOUD = 0.9
DEAD_MS2 = 0.03
"""No tyre rolls this quietly."""
SHORTEST_CELLS = 10
"""A shorter stand does not count."""
HOLE_CELLS = 30
"""Interruptions up to this long, below half of the pass's own level, do not end a stand: a door is slammed."""

PULLING_MS2 = 0.5
"""Pulling away or braking: forward acceleration over a second, relative to standing."""
SHIFT_CELLS = 10
"""It may pause this long for a gear change."""
LONGEST_PULL_CELLS = 250
GUARD_CELLS = 10
"""Always left out at either end of a stand: the body still nods."""

STANDING_MS, AT_SPEED = 1.0, 0.8
"""With a speed log: slower than this is standing; below this share of the pass's median speed is pulling away."""

TOUCHED_CELLS = 10
"""Left out before and after a clipped sample, which rings in the filters."""

MARK = re.compile(r"(?:mark (\d+): *)?(start|stop)", re.IGNORECASE)
"""Text of a mark that cuts the pass, at the moment of the key press that it names."""


@dataclass(frozen=True, eq=False)
class DriveCourse:
    """What a box felt in each cell (n,) of CELL_S from the capture's start, NaN in gaps. Standing is found from it.

    `forward_ms2`: mean forward acceleration. `level_ms2`: r.m.s. of wheel hop. `turning_rads` (n, 3): mean rotation
    rate, None without a gyroscope.
    """

    forward_ms2: Course
    level_ms2: Course
    turning_rads: Course | None


@dataclass(frozen=True, eq=False)
class Moving:
    """Why cells (n,) of a capture do not count as driving over the road.

    `outside`: before a mark "start" or after a mark "stop". `touched`: near a clipped sample.
    """

    standing: Cells
    pulling: Cells
    outside: Cells
    touched: Cells

    @property
    def left_out(self) -> Cells:
        """Cells left out for any reason."""
        return self.standing | self.pulling | self.outside | self.touched

    def is_left_out(self, start_s: Array, length_s: float) -> Cells:
        """Which stretches (m,) of `length_s` contain a left-out cell, to the nearest cell."""
        upto = np.append(0, np.cumsum(self.left_out))
        first = np.rint(start_s / CELL_S).astype(int).clip(0, len(upto) - 2)
        last = np.rint((start_s + length_s) / CELL_S).astype(int).clip(first + 1, len(upto) - 1)
        return upto[last] > upto[first]

    def stood_for(self, start_s: Array, length_s: float, before_s: float) -> Cells:
        """Which stretches (m,) lie in a stand that began `before_s` earlier and lasts a second longer."""
        upto = np.append(0, np.cumsum(self.standing & ~self.touched))
        first = np.rint((start_s - before_s) / CELL_S).astype(int)
        last = np.rint((start_s + length_s) / CELL_S).astype(int) + LEVEL_CELLS
        is_inside = (first >= 0) & (last < len(upto))
        first, last = first.clip(0, len(upto) - 1), last.clip(0, len(upto) - 1)
        return is_inside & (upto[last] - upto[first] == last - first)

    def driving_s(self, time_s: NDArray[np.floating]) -> Array:
        """Times (m,) in which standing does not count and pulling away counts half: roughly progress along the road."""
        pace = np.where(self.standing, 0.0, np.where(self.pulling, 0.5, 1.0))
        edges_s = np.arange(len(pace) + 1) * CELL_S
        passed_s = np.append(0.0, np.cumsum(pace) * CELL_S)
        inside = np.clip(time_s, 0.0, edges_s[-1])
        return np.interp(inside, edges_s, passed_s) + (time_s - inside)

    def seconds(self) -> dict[str, float]:
        """Seconds left out for each reason that occurs."""
        kinds = {
            "standing": self.standing,
            "pulling away or braking": self.pulling & ~self.standing,
            "outside the marks start and stop": self.outside & ~self.standing & ~self.pulling,
            "clipped": self.touched & ~self.standing & ~self.pulling & ~self.outside,
        }
        return {name: float(round(cells.sum() * CELL_S, 1)) for name, cells in kinds.items() if cells.any()}

    def with_log(self, log: SpeedLog) -> Moving:
        """The same, plus what a speed log shows as standing, pulling away or braking."""
        speed_ms = log.speed_at((np.arange(len(self.standing)) + 0.5) * CELL_S)
        stands = np.nan_to_num(speed_ms, nan=np.inf) < STANDING_MS
        rolling = speed_ms[np.isfinite(speed_ms) & ~stands]
        if not stands.any() or not rolling.size:
            return replace(self, standing=self.standing | stands)
        slow = stands | (np.nan_to_num(speed_ms, nan=np.inf) < AT_SPEED * np.median(rolling))
        labels, _ = scipy.ndimage.label(slow)
        to_a_stand = slow & np.isin(labels, labels[stands])
        return replace(self, standing=self.standing | stands, pulling=self.pulling | (to_a_stand & ~stands))


def in_words(of_drive: Moving) -> str:
    """What is left out, such as "8.2 s standing, 5.1 s pulling away or braking"; empty if nothing is."""
    return ", ".join(f"{seconds:.1f} s {what}" for what, seconds in of_drive.seconds().items())


def moving(capture: Capture, course: DriveCourse, clipped_s: Sequence[float] = ()) -> Moving:
    """Which cells of a capture are driving over the road; `clipped_s`: times of clipped samples."""
    stands = standing(course)
    touched = np.zeros(stands.size, bool)
    touched[(np.asarray(clipped_s, float) / CELL_S).astype(int)] = True
    touched = scipy.ndimage.maximum_filter1d(touched, 2 * TOUCHED_CELLS + 1)
    return Moving(stands, pulling_away(course.forward_ms2, stands), _outside_marks(capture, stands.size), touched)


class CourseReader:
    """Computes the course from a capture's motion, piece by piece and block by block."""

    def __init__(self, pieces: Sequence[Piece], rate_hz: float, turns: bool) -> None:
        """`turns`: blocks include rotation."""
        self._step, self._rate_hz, self._turns = max(1, round(rate_hz / STEPS_HZ)), rate_hz, turns
        low_hz, high_hz = BANDS["secondary"]
        self._hop = design((low_hz, min(high_hz, CARRIED * rate_hz / self._step)), rate_hz / self._step)
        count = math.ceil(max(piece.start_time_s + piece.n_rows / rate_hz for piece in pieces) / CELL_S) + 1
        self._sums, self._steps = np.zeros((5 if turns else 2, count), np.float32), np.zeros(count, np.uint16)

    def begin(self, piece: Piece) -> None:
        """Begin the next piece; filters restart, since none runs across a gap."""
        self._run, self._start_s, self._done = self._hop.start(), piece.start_time_s, 0
        self._pending = np.empty((6 if self._turns else 3, 0), np.float32)

    def take(self, block: NDArray[np.float32]) -> None:
        """Take the next block (axes, rows) of the piece, in vehicle axes: specific force, then rotation."""
        rows = np.concatenate([self._pending, block], axis=1) if self._pending.size else block
        count = rows.shape[1] // self._step
        steps = np.einsum("acs->ac", rows[:, : count * self._step].reshape(len(rows), count, self._step)) / self._step
        self._pending = rows[:, count * self._step :].copy()
        at_s = self._start_s + (self._done + np.arange(count) + 0.5) * self._step / self._rate_hz
        self._done += count
        if not count:
            return
        cell = (at_s / CELL_S).astype(int)
        first, end = cell[0], cell[-1] + 1
        for sums, values in zip(self._sums, (steps[0], np.square(self._run(steps[2])), *steps[3:]), strict=True):
            sums[first:end] += np.bincount(cell - first, values)
        self._steps[first:end] += np.bincount(cell - first).astype(np.uint16)

    def course(self) -> DriveCourse:
        """The course; a cell with less than half of its samples is a gap. Call it once, at the end."""
        there, means = self._steps * self._step >= 0.5 * CELL_S * self._rate_hz, self._sums
        np.divide(means, self._steps, out=means, where=there)
        means[:, ~there] = np.nan
        return DriveCourse(means[0], np.sqrt(means[1], out=means[1]), means[2:].T if self._turns else None)


def standing(course: DriveCourse) -> Cells:
    """Cells (n,) in which the vehicle stood."""
    level = np.sqrt(np.maximum(_running_mean(course.level_ms2**2, LEVEL_CELLS), 0.0))  # rounding may go below zero
    known = level[np.isfinite(level)]
    if not known.size:
        return np.zeros(level.size, bool)
    own = float(np.quantile(known, LOUD))
    turning = np.zeros(level.size) if course.turning_rads is None else _running_spread(course.turning_rads)
    calm = (level < DEAD_MS2) | ((level < CALM_MS2) & (level < CALM_SHARE * own))
    still = calm & (turning < CALM_RADS)
    if course.turning_rads is not None:
        still |= (turning < STILL_RADS) & (level < IDLING_MS2)
    holes = scipy.ndimage.binary_closing(np.pad(still, HOLE_CELLS), np.ones(HOLE_CELLS))[HOLE_CELLS:-HOLE_CELLS]
    still |= holes & (level < own / 2)
    return scipy.ndimage.binary_opening(still, np.ones(SHORTEST_CELLS)) if still.any() else still


def pulling_away(forward_ms2: Course, stands: Cells) -> Cells:
    """Cells (n,) between standing and full speed, in either direction, from the forward acceleration (n,)."""
    pulling = np.zeros(stands.size, bool)
    if not stands.any() or stands.all():
        return pulling
    felt = _running_mean(forward_ms2, LEVEL_CELLS)
    labels, count = scipy.ndimage.label(stands)
    for (at,) in scipy.ndimage.find_objects(labels, count):
        rest = forward_ms2[at][np.isfinite(forward_ms2[at])]
        away = felt - (rest.mean() if rest.size else 0.0)
        pulling[at.stop : at.stop + _pull(away[at.stop :])] = True
        lead = _pull(-away[: at.start][::-1])
        pulling[max(0, at.start - lead) : at.start] = True
    return pulling & ~stands


def _pull(away: Array) -> int:
    """Number of cells for which acceleration away from a stand lasts, gear changes included."""
    pushed = np.flatnonzero(np.nan_to_num(away[:LONGEST_PULL_CELLS]) > PULLING_MS2)
    pauses = np.flatnonzero(np.diff(np.append(-1, pushed)) > SHIFT_CELLS + 1)
    last = pushed[: pauses[0]] if pauses.size else pushed
    return max(GUARD_CELLS, int(last[-1]) + 1 if last.size else 0)


def _outside_marks(capture: Capture, count: int) -> Cells:
    """Cells (count,) before the first mark "start" and after the last mark "stop"."""
    texts = [text.decode("utf-8", "replace").strip() for text in capture.marks["text"]]
    times_s = capture.times_s(capture.marks["row"]).tolist()
    pressed_s = dict(zip(texts, times_s, strict=True))
    moments: dict[str, list[float]] = {"start": [], "stop": []}
    for text, time_s in zip(texts, times_s, strict=True):
        if named := MARK.fullmatch(text):
            moments[named[2].lower()].append(pressed_s.get(f"mark {named[1]}", time_s))
    middles_s = (np.arange(count) + 0.5) * CELL_S
    outside: Cells = middles_s < min(moments["start"], default=-math.inf)
    outside |= middles_s > max(moments["stop"], default=math.inf)
    return outside


def _running_mean(values: Course, width: int) -> Array:
    """Mean (n,) over `width` cells around each; NaN is ignored."""
    is_known = np.isfinite(values)
    sums, counts = (
        scipy.ndimage.uniform_filter1d(part, width, mode="constant")
        for part in (np.where(is_known, values, 0.0), is_known.astype(values.dtype))
    )
    return np.divide(sums, counts, out=np.full_like(values, np.nan), where=counts > 0.5 / width)


def _running_spread(rates: Course) -> Array:
    """Standard deviation of rates (n, 3) over TURNING_CELLS around each cell, of the axis where it is largest."""
    largest = np.zeros(len(rates), rates.dtype)
    for axis in rates.T:
        spread = _running_mean(axis**2, TURNING_CELLS) - _running_mean(axis, TURNING_CELLS) ** 2
        np.maximum(largest, spread, out=largest)  # keeps NaN
    return np.sqrt(largest)
