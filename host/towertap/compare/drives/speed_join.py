"""Joins speed logs to passes by UTC, and finds each log's clock offset from the car's own forward acceleration.

A log and a capture of one drive share what the driver did: when the log's speed rises, the box feels a push forward.
The clock offset is therefore the one at which the log's speed change over each second best fits the mean forward
acceleration of that second, over all passes that the log covers. Each pass's own mean is subtracted, to remove slopes
and a tilted box. An offset is accepted only if chance would rarely give so good a fit.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.capture.speed_log import WIDEST_GAP_S, LogOffset, SpeedLog
from towertap.compare.drives.model import CELL_S, Drives, Pass
from towertap.errors import CallError
from towertap.words.phrases import counted, some

Array = NDArray[np.float64]

SEARCH_S = 60.0
"""Offsets tried either way: clocks set by network or satellite are closer, and a wrong hour is for the option."""
STEP_S = CELL_S
SECOND = 10
"""Cells of STEP_S in a second, over which the change of speed is taken."""
SHARED = 0.8
"""The log must cover this share of the passes' seconds at the offset found."""
CHANCE = 1e-3
"""An offset is accepted if the best of all offsets would fit that well by chance less often than this."""


Push = tuple[float, Array]
"""Unix time at which a pass began, and its mean forward acceleration (n,) in m/s² in cells of STEP_S, NaN in gaps."""


def with_speed(drives: Drives, logs: Sequence[SpeedLog], offset_s: float | None = None) -> Drives:
    """The same drives, each pass with the first log that spans it, and remarks on what could not be joined.

    `offset_s` is how far the logs' clocks are ahead of the host's, even by hours; None: found for each log. CallError
    for an offset without a log.
    """
    if offset_s is not None and not logs:
        raise CallError("an offset of the speed logs' clocks without a log: name one with --speed")
    joined: dict[str, SpeedLog] = {}
    remarks: list[str] = []
    for log in logs:
        near = [drive for drive in drives.passes if _near(drive, log, offset_s)]
        if not near:
            remarks.append(_covers_none(drives.passes, log, offset_s))
            continue
        offset = (
            LogOffset(offset_s, None, "given")
            if offset_s is not None
            else find_offset(log, [(_began_s(drive), drive.forward_ms2) for drive in near])
        )
        if offset is None:
            offset = LogOffset(0.0, None, "not found")
            remarks.append(
                f"the clock of the speed log {log.name} could not be checked against the captures' (its speed fits "
                "their forward acceleration no better than chance) and is taken as right; give its offset with "
                "--speed-offset"
            )
        for drive in near:
            own = log.shifted(-_began_s(drive) - offset.seconds, offset)
            if drive.name not in joined and own.covers(0.0, lasted_s(drive)):
                joined[drive.name] = own.between(0.0, lasted_s(drive))
    without = [drive.name for drive in drives.passes if drive.name not in joined]
    if logs and without:
        words = f"no speed log spans {some(without)} without a gap: on their roads speed is known by alignment only"
        remarks.append(words)
    passes = tuple(drive.logged(joined[drive.name]) if drive.name in joined else drive for drive in drives.passes)
    return replace(drives, passes=passes, remarks=(*drives.remarks, *remarks, *_implausible(passes)))


def lasted_s(drive: Pass) -> float:
    """End of a pass's last cell, from its capture's start."""
    return float(drive.cells["start_s"][-1]) + STEP_S


def metres_by_cell(drive: Pass) -> Array | None:
    """Metres driven in each of a pass's cells (n,); None without a log."""
    if drive.speed is None:
        return None
    starts_s = drive.cells["start_s"]
    ends_s = np.minimum(starts_s + STEP_S, drive.speed.time_s[-1])
    return drive.speed.way_m(ends_s) - drive.speed.way_m(starts_s)


def driven_m(drive: Pass) -> float | None:
    """Metres driven in the seconds that a pass's windows cover; None without a log."""
    metres = metres_by_cell(drive)
    return None if metres is None else float(metres.sum())


def find_offset(log: SpeedLog, pushes: Sequence[Push]) -> LogOffset | None:
    """How far the clock of `log` is ahead, by the passes' forward acceleration; None if no better than chance.

    Fisher's transform tests the best correlation against chance, with as many independent seconds as Bartlett's formula
    leaves of two autocorrelated series, and for all offsets tried. The interval is that of a delay by least squares:
    the noise over the curvature of the misfit at its minimum.
    """
    offsets_s = np.asarray(np.arange(-round(SEARCH_S / STEP_S), round(SEARCH_S / STEP_S) + 1) * STEP_S, np.float64)
    felt, rises = _seconds(log, pushes, offsets_s)
    is_known = np.isfinite(rises)
    if felt.size < SECOND or not is_known.any():
        return None
    shares = is_known.mean(axis=1)
    fits = np.full(offsets_s.size, -1.0)
    for i in np.flatnonzero(shares >= SHARED * shares.max()):
        x, y = felt[is_known[i]], rises[i, is_known[i]]
        if min(np.ptp(x), np.ptp(y)) > 0:
            fits[i] = np.corrcoef(x, y)[0, 1]
    best = int(np.argmax(fits))
    if not 0 < best < fits.size - 1 or min(fits[best - 1 : best + 2]) <= 0:
        return None
    low, top, high = fits[best - 1 : best + 2]
    bend = low - 2 * top + high
    independent = felt.size / SECOND / _correlated_seconds(felt, np.nan_to_num(rises[best]))
    if bend >= 0 or independent <= 4 or shares[best] < SHARED:
        return None
    tried = 2 * SEARCH_S  # offsets a second apart are about independent
    score = math.atanh(min(top, 1 - 1e-9)) * math.sqrt(independent - 3)
    if scipy.special.ndtr(-score) * tried > CHANCE:
        return None
    seconds = offsets_s[best] + STEP_S * (low - high) / (2 * bend)
    error = math.sqrt((1 - top**2) / (independent * top * -bend / STEP_S**2))
    return LogOffset(float(seconds), float(1.96 * math.hypot(error, STEP_S / math.sqrt(12))), "found")


def _seconds(log: SpeedLog, pushes: Sequence[Push], offsets_s: Array) -> tuple[Array, NDArray[np.float64]]:
    """Mean forward acceleration of the second after every cell, (n,), and the log's rise in it by offset, (m, n).

    Each pass's own mean is subtracted from both.
    """
    felt, rises = [np.empty(0)], [np.empty((offsets_s.size, 0))]
    for start_s, forward_ms2 in pushes:
        if forward_ms2.size <= SECOND:
            continue
        mean = np.convolve(forward_ms2, np.full(SECOND, 1 / SECOND), "valid")
        is_whole = np.isfinite(mean)
        if not is_whole.any():
            continue
        at_s = start_s + np.flatnonzero(is_whole) * STEP_S + offsets_s[:, None]
        rise = log.speed_at(at_s + SECOND * STEP_S) - log.speed_at(at_s)
        felt.append(mean[is_whole] - mean[is_whole].mean())
        is_known = np.isfinite(rise)
        count = np.maximum(is_known.sum(axis=1, keepdims=True), 1)
        rises.append(rise - np.where(is_known, rise, 0.0).sum(axis=1, keepdims=True) / count)
    return np.concatenate(felt), np.concatenate(rises, axis=1)


def _correlated_seconds(x: Array, y: Array) -> float:
    """Seconds of two autocorrelated series (n,) per independent second; at least 1.

    Bartlett (1946): the variance of their correlation is 1 + 2 Σ ρx(k) ρy(k) times that of independent values.
    """
    most = min(20 * SECOND, x.size // 4)
    rho_x, rho_y = ([float(z[:-k] @ z[k:]) / max(float(z @ z), 1e-300) for k in range(1, most)] for z in (x, y))
    products = np.array(rho_x) * np.array(rho_y)
    return max(1.0, (1 + 2 * float(np.maximum(products, 0).sum())) / SECOND)


def _near(drive: Pass, log: SpeedLog, offset_s: float | None) -> bool:
    """Whether a log knows the speed at some moment of a pass at the given offset, or may at one within the search."""
    if drive.started is None:
        return False
    slack_s = SEARCH_S if offset_s is None else 0.0
    times_s = np.arange(-slack_s, lasted_s(drive) + slack_s, STEP_S) + _began_s(drive) + (offset_s or 0.0)
    return bool(np.isfinite(log.speed_at(times_s)).any())


def _covers_none(passes: Sequence[Pass], log: SpeedLog, offset_s: float | None) -> str:
    """A remark on a log that covers no pass, with both times, which show a wrong hour, and what to do."""
    words = f"the speed log {log.name} covers no pass"
    dated = [drive for drive in passes if drive.started is not None]
    if not dated:
        return f"{words}, because no capture says when it began"
    begins_s = [_began_s(drive) for drive in dated]
    given = "" if offset_s is None else f" less the {offset_s:g} s of --speed-offset"
    return (
        f"{words}: read as UTC it goes from {_utc(log.time_s[0])} to {_utc(log.time_s[-1])}{given} (points over "
        f"{WIDEST_GAP_S:g} s apart leave a gap), and the passes begin from {_utc(min(begins_s))} to "
        f"{_utc(max(begins_s))}; write its times in UTC, or give with --speed-offset how many seconds its clock is "
        "ahead"
    )


def _utc(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%d %H:%M:%S}"


def _began_s(drive: Pass) -> float:
    assert drive.started is not None
    return drive.started.timestamp()


def _implausible(passes: Sequence[Pass]) -> Iterator[str]:
    """A remark on the passes whose log disagrees with the aimed speed: another unit, or another drive."""
    doubtful = []
    for drive in passes:
        aimed_kmh, metres = drive.conditions.speed_kmh, driven_m(drive)
        if not aimed_kmh or metres is None:
            continue
        logged_kmh = 3.6 * metres / (drive.n_cells * STEP_S)
        if not 0.5 < logged_kmh / aimed_kmh < 2:
            doubtful.append(
                f"{drive.name} was driven at {logged_kmh:.0f} km/h by its speed log, not {aimed_kmh:g} km/h"
            )
    if doubtful:
        others = f", and so for {counted(len(doubtful) - 1, 'further pass')}" if doubtful[1:] else ""
        yield f"{doubtful[0]} as aimed{others}: is the log's unit right, and is it of this drive?"
