"""Places a recording in absolute time, and measures gaps that nothing counted, by how the host saw the box's clock."""

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
"""How far the box's clock and the host's may run apart: each is a crystal, off by some tens of ppm with its warmth."""
LARGEST_CONTRADICTION_S = 0.1
"""A box that was stopped for a moment shows its clock late; readings further apart are not of two running clocks."""
SOLVER_S = 1e-6
"""To what the linear programmes are solved."""
MOST_READINGS = 2_000
MOST_RESTARTS = 20
"""Of a box in one recording, for whose gaps it is worth asking how long they were."""


@dataclass(frozen=True)
class Moment:
    """A time, or a length of time, with half the interval in which it surely lies; seconds."""

    at_s: float
    uncertainty_s: float


def clock_readings_of(capture: Capture) -> list[ClockReading]:
    """The clock readings that the recorder put into the sidecar; those that are none are left out."""
    entries, readings = capture.host.get("clock"), []
    for entry in entries[:MOST_READINGS] if isinstance(entries, list) else []:
        with suppress(FileError):
            readings.append(typed(entry, ClockReading, "clock"))
    return readings


def host_time(readings: list[ClockReading], boot_id: str, clock_s: float) -> Moment | None:
    """Unix time at which the clock of that boot showed `clock_s`; None when the readings do not bound it.

    All straight lines through every reading's bounds, with a slope within CLOCKS_PPM of one, are possible; the earliest
    and the latest time among them are two linear programmes. Where no line keeps to all bounds, a third finds by how
    much they contradict each other; a little widens them, more (the box runs in virtual time, somebody set the host's
    clock) means that they bound nothing.
    """
    of_boot = [reading for reading in readings if reading.boot_id == boot_id]
    if not of_boot:
        return None
    zero_s = of_boot[0].received_unix_s
    elapsed_s = np.array([reading.clock_us for reading in of_boot]) * 1e-6 - clock_s
    latest_s = np.array([reading.received_unix_s for reading in of_boot]) - zero_s - elapsed_s
    sent_s = [-math.inf if reading.sent_unix_s is None else reading.sent_unix_s for reading in of_boot]
    earliest_s = np.array(sent_s) - zero_s - elapsed_s
    lines = np.column_stack((np.ones(len(of_boot)), elapsed_s * 1e-6))  # time = offset + elapsed + elapsed × ppm × 1e-6
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
    """How long each gap lasts: counted, by the box's clock where that ran on, else by the host's; None: not known."""
    gaps = capture.gaps
    lengths: list[Moment | None] = [Moment(max(missing, 0) / rate_hz, 0.0) for missing in gaps["missing"].tolist()]
    open_gaps = np.flatnonzero(~np.isin(gaps["reason"], EXACT))
    if not len(open_gaps):
        return lengths
    readings = clock_readings_of(capture)
    boots, boot = _boots(capture, readings), 0
    frames = capture.frames
    after = np.searchsorted(frames["row"], gaps["row"][open_gaps])
    for k, place in zip(open_gaps.tolist(), after.tolist(), strict=True):
        if not 0 < place < len(frames):
            lengths[k] = None
            continue
        ended_s, began_s = _end_s(frames[place - 1], rate_hz), _first_sample_s(frames[place], rate_hz)
        if gaps["reason"][k] != BOX_RESTART:
            lengths[k] = Moment(max(began_s - ended_s, 0.0), 1 / rate_hz)
            continue
        boot += 1
        before = boots and host_time(readings, boots[boot - 1], ended_s)
        behind = boots and host_time(readings, boots[boot], began_s)
        lengths[k] = None
        if before and behind:
            apart = Moment(behind.at_s - before.at_s, before.uncertainty_s + behind.uncertainty_s)
            lengths[k] = _widened(apart, 1 / rate_hz)
    return lengths


def _boots(capture: Capture, readings: list[ClockReading]) -> list[str] | None:
    """Boot ids of the stretches between restarts, in order; None when the readings do not tell one for each."""
    restarts = int(np.count_nonzero(capture.gaps["reason"] == BOX_RESTART))
    if restarts > MOST_RESTARTS:
        return None
    if not restarts:
        return [str(capture.hello.get("boot_id"))]
    boots = list(dict.fromkeys(reading.boot_id for reading in readings))
    return boots if len(boots) == restarts + 1 else None


def _first_sample_s(frame: Any, rate_hz: float) -> float:
    """The box's clock when a frame's first sample was made, to half a sample: the newest is half a period old."""
    return float(frame["clock_us"] / 1e6 - (int(frame["fifo_level"]) - 0.5) / rate_hz)


def _end_s(frame: Any, rate_hz: float) -> float:
    """The box's clock one period after a frame's last sample, when the next was due."""
    return _first_sample_s(frame, rate_hz) + int(frame["count"]) / rate_hz


def _widened(moment: Moment | None, by_s: float) -> Moment | None:
    return moment and Moment(moment.at_s, moment.uncertainty_s + by_s)
