"""Dates a recording and measures uncounted gaps, from readings of the box's clock against the host's."""

import math
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import scipy

from towertap.capture.conditions import LATEST_S, ClockReading
from towertap.capture.continuity import BOX_RESTART, EXACT
from towertap.capture.frame_table import frame_blocks
from towertap.capture.reading import Capture
from towertap.doors.structured import typed
from towertap.errors import FileError

CLOCKS_PPM = 100.0
"""Largest rate difference between the two clocks: each is a crystal, off by tens of ppm with temperature."""
LARGEST_CONTRADICTION_S = 0.1
"""A box stopped for a moment reads its clock late; a larger contradiction means that a clock was set or not running."""
SOLVER_S = 1e-6
"""Tolerance of the linear programmes."""
MOST_READINGS = 2_000
MOST_RESTARTS = 20
"""With more restarts of the box in one recording, gap lengths are not computed."""


@dataclass(frozen=True)
class Moment:
    """A time or duration, with half the width of the interval that certainly contains it; seconds."""

    at_s: float
    uncertainty_s: float


def clock_readings_of(capture: Capture) -> list[ClockReading]:
    """The valid clock readings in the sidecar."""
    entries, readings = capture.host.get("clock"), []
    for entry in entries[:MOST_READINGS] if isinstance(entries, list) else []:
        with suppress(FileError):
            readings.append(typed(entry, ClockReading, "clock"))
    return readings


def host_time(readings: list[ClockReading], boot_id: str, clock_s: float) -> Moment | None:
    """Unix time at which the clock of that boot showed `clock_s`; None if the readings do not bound it.

    Any straight line within every reading's bounds, with a slope within CLOCKS_PPM of one, is possible; two linear
    programmes give the earliest and the latest time. If no line satisfies all bounds, a third finds by how much they
    contradict each other: a small contradiction widens the bounds, a large one (the box runs in virtual time, or the
    host's clock was set) makes them useless.
    """
    readings = [reading for reading in readings if reading.boot_id == boot_id]
    if not readings:
        return None
    zero_s = readings[0].received_unix_s
    elapsed_s = np.array([reading.clock_us for reading in readings]) * 1e-6 - clock_s
    latest_s = np.array([reading.received_unix_s for reading in readings]) - zero_s - elapsed_s
    sent_s = [-math.inf if reading.sent_unix_s is None else reading.sent_unix_s for reading in readings]
    earliest_s = np.array(sent_s) - zero_s - elapsed_s
    # time = offset + elapsed + elapsed × ppm × 1e-6
    lines = np.column_stack((np.ones(len(readings)), elapsed_s * 1e-6))
    known = np.isfinite(earliest_s)
    within, limits = np.concatenate((lines, -lines[known])), np.concatenate((latest_s, -earliest_s[known]))
    slopes = [(None, None), (-CLOCKS_PPM, CLOCKS_PPM)]
    widened = np.column_stack((within, -np.ones(len(within))))
    least = scipy.optimize.linprog([0, 0, 1], widened, limits, bounds=[*slopes, (0, None)])
    if least.status or least.fun > LARGEST_CONTRADICTION_S / 2:
        return None
    low, high = (
        scipy.optimize.linprog([sign, 0], within, limits + least.fun + SOLVER_S, bounds=slopes) for sign in (1, -1)
    )
    if low.status or high.status:
        return None
    moment = Moment(zero_s + (low.fun - high.fun) / 2, (-high.fun - low.fun) / 2 + 2 * least.fun)
    return moment if 0 < moment.at_s < LATEST_S else None


def started(capture: Capture, rate_hz: float) -> Moment | None:
    """Unix time of the first sample, by the host's clock."""
    readings, frames = clock_readings_of(capture), next(frame_blocks(capture.file))
    boots = _boots(capture, readings)
    if boots is None or not len(frames):
        return None
    return _widened(host_time(readings, boots[0], _first_sample_s(frames[0], rate_hz)), 0.5 / rate_hz)


def utc(moment: Moment) -> str:
    """ISO 8601, to the microsecond."""
    return datetime.fromtimestamp(moment.at_s, UTC).isoformat(timespec="microseconds")


def gap_lengths(capture: Capture, rate_hz: float) -> list[Moment | None]:
    """Length of each gap: by count, by the box's clock if it ran on, else by the host's clock; None if not known."""
    gaps = capture.gaps
    lengths: list[Moment | None] = [Moment(max(missing, 0) / rate_hz, 0.0) for missing in gaps["missing"].tolist()]
    open_gaps = np.flatnonzero(~np.isin(gaps["reason"], EXACT))
    if not len(open_gaps):
        return lengths
    readings = clock_readings_of(capture)
    boots, boot = _boots(capture, readings), 0
    frames = capture.frames
    next_frames = np.searchsorted(frames["row"], gaps["row"][open_gaps])
    for k, next_frame in zip(open_gaps.tolist(), next_frames.tolist(), strict=True):
        lengths[k] = None
        if not 0 < next_frame < len(frames):
            continue
        ended_s, began_s = _end_s(frames[next_frame - 1], rate_hz), _first_sample_s(frames[next_frame], rate_hz)
        if gaps["reason"][k] != BOX_RESTART:
            lengths[k] = Moment(max(began_s - ended_s, 0.0), 1 / rate_hz)
            continue
        boot += 1
        end = boots and host_time(readings, boots[boot - 1], ended_s)
        start = boots and host_time(readings, boots[boot], began_s)
        if end and start:
            lengths[k] = _widened(Moment(start.at_s - end.at_s, end.uncertainty_s + start.uncertainty_s), 1 / rate_hz)
    return lengths


def _boots(capture: Capture, readings: list[ClockReading]) -> list[str] | None:
    """Boot ids between restarts, in order; None if the readings do not give exactly one for each."""
    restarts = int(np.count_nonzero(capture.gaps["reason"] == BOX_RESTART))
    if restarts > MOST_RESTARTS:
        return None
    if not restarts:
        return [str(capture.hello.get("boot_id"))]
    boots = list(dict.fromkeys(reading.boot_id for reading in readings))
    return boots if len(boots) == restarts + 1 else None


def _first_sample_s(frame: Any, rate_hz: float) -> float:
    """The box's clock at a frame's first sample, to half a period, which is the mean age of the newest sample."""
    return float(frame["clock_us"] / 1e6 - (int(frame["fifo_level"]) - 0.5) / rate_hz)


def _end_s(frame: Any, rate_hz: float) -> float:
    """The box's clock one period after a frame's last sample, when the next is due."""
    return _first_sample_s(frame, rate_hz) + int(frame["count"]) / rate_hz


def _widened(moment: Moment | None, by_s: float) -> Moment | None:
    return moment and Moment(moment.at_s, moment.uncertainty_s + by_s)
