"""Speed logs from a receiver: reading, validation and interpolation over time (hardware_notes/speed_log.md)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from towertap.capture.speed_files import POSITIONS, READERS, SPEEDS
from towertap.doors.files import opened, size_of
from towertap.doors.times import instant
from towertap.errors import FileError
from towertap.lazily import pd

Array = NDArray[np.float64]

MOST_BYTES = 64 * 2**20
MOST_POINTS = 500_000
"""More than ten points per second over twelve hours."""
FASTEST_MS = 150.0
"""540 km/h: anything faster is not a road vehicle, or in another unit."""
WIDEST_GAP_S = 5.0
"""Largest gap between points over which speed is interpolated."""
STANDING_MS, MOST_MS2 = 0.5, 12.0
"""A standing receiver that then accelerates faster than tyres allow (1.2 g) was frozen."""
EARLIEST_S, LATEST_S = 946684800.0, 4102444800.0
"""The years 2000 to 2100; a clock outside them was never set."""

SEMI_MAJOR_M, ECCENTRICITY_2 = 6378137.0, 0.00669437999014
"""The WGS 84 ellipsoid of satellite positions (NIMA TR 8350.2)."""


@dataclass(frozen=True)
class LogOffset:
    """How far a log's clock is ahead of the host's, in seconds, and how that is known.

    `uncertainty_s` is half the 95 % interval of an estimated offset, None of one that was given or assumed to be zero.
    """

    seconds: float
    uncertainty_s: float | None
    source: str


@dataclass(frozen=True, eq=False)
class SpeedLog:
    """Speed over time: `time_s` (n,) increasing, Unix time or, once joined to a pass, from the start of its capture.

    `speed_ms` (n,) in m/s, of unknown accuracy. `offset` is that of its clock, once it has been joined.
    """

    name: str
    time_s: Array
    speed_ms: Array
    offset: LogOffset | None = None

    def shifted(self, by_s: float, offset: LogOffset | None = None) -> SpeedLog:
        """The same log with `by_s` added to its times."""
        return replace(self, time_s=self.time_s + by_s, offset=offset)

    def between(self, start_s: float, end_s: float) -> SpeedLog:
        """The points from the last one before `start_s` to the first one after `end_s`."""
        first = max(int(np.searchsorted(self.time_s, start_s, "right")) - 1, 0)
        last = int(np.searchsorted(self.time_s, end_s, "left")) + 1
        return replace(self, time_s=self.time_s[first:last], speed_ms=self.speed_ms[first:last])

    def covers(self, start_s: float, end_s: float) -> bool:
        """Whether the log spans an interval without a gap wider than WIDEST_GAP_S."""
        inside = self.between(start_s, end_s).time_s
        spans = inside.size > 1 and inside[0] <= start_s and inside[-1] >= end_s
        return bool(spans and np.diff(inside).max() <= WIDEST_GAP_S)

    def speed_at(self, time_s: NDArray[np.floating]) -> Array:
        """Speed in m/s at times (n,), interpolated; NaN outside the log and in its gaps."""
        speed: Array = np.interp(time_s, self.time_s, self.speed_ms, left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(self.time_s, time_s), 1, self.time_s.size - 1)
        speed[self.time_s[after] - self.time_s[after - 1] > WIDEST_GAP_S] = np.nan
        return speed

    def way_m(self, time_s: NDArray[np.floating]) -> Array:
        """Metres driven from the log's first point to times (n,) within it: the integral of the speed."""
        steps_s = np.diff(self.time_s)
        distance_m = np.append(0.0, np.cumsum(steps_s * (self.speed_ms[1:] + self.speed_ms[:-1]) / 2))
        step = np.clip(np.searchsorted(self.time_s, time_s, "right") - 1, 0, steps_s.size - 1)
        into_s = time_s - self.time_s[step]
        slope = np.diff(self.speed_ms) / steps_s
        way: Array = distance_m[step] + into_s * (self.speed_ms[step] + slope[step] * into_s / 2)
        return way


def read_speed_logs(path: str | Path) -> list[SpeedLog]:
    """The log at `path`, or every log (*.gpx, *.csv) in the folder `path`; FileError if there is none."""
    path = Path(path)
    if not path.is_dir():
        return [read_speed_log(path)]
    logs = sorted(entry for entry in path.iterdir() if entry.suffix.lower() in READERS)
    if not logs:
        raise FileError(f"{path}: no speed log in this folder; put GPX (.gpx) or CSV (.csv) files into it")
    return [read_speed_log(entry) for entry in logs]


def read_speed_log(path: str | Path) -> SpeedLog:
    """Read one log by its suffix, .gpx or .csv; FileError for anything else."""
    path = Path(path)
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise FileError(f"{path}: not a speed log or a folder of them; give {' or '.join(READERS)}")
    wanted = f"a speed log ({path.suffix}) of the day of the drives"
    if not size_of(path, wanted, MOST_BYTES):
        raise FileError(f"{path}: empty: export the log again")
    try:
        with opened(path, wanted) as file, closing(reader(file)) as rows:
            return _checked(path.name, _speeds(_points(rows)))
    except FileError as error:
        raise FileError(f"{path}: {error}") from None


def _points(rows: Iterator[pd.DataFrame]) -> pd.DataFrame:
    """Tables of strings as numbers: `unix_s` in Unix s, SPEEDS in their units, POSITIONS in degrees; NaN if empty."""
    tables, points = [], 0
    for texts in rows:
        columns = {name: _numbers(texts[name]) for name in ("unix_s", *SPEEDS, *POSITIONS) if name in texts}
        if "time_utc" in texts:
            columns["unix_s"] = texts["time_utc"].map(_unix_s, na_action="ignore").astype(float)
        tables.append(pd.DataFrame(columns))
        points += len(texts)
        if points > MOST_POINTS:
            raise FileError(f"more than {MOST_POINTS:,} points: cut it to the day of the drives")
    if not tables:
        raise FileError("no points: export the track itself, not its waypoints or a header line alone")
    return pd.concat(tables, ignore_index=True)


def _speeds(points: pd.DataFrame) -> pd.DataFrame:
    """`time_s` and `speed_ms`: the receiver's own speed if most points have one, else derived from the positions."""
    speed = next((name for name in SPEEDS if name in points), None)
    if speed and (POSITIONS[0] not in points or points[speed].notna().mean() > 0.5):
        return pd.DataFrame({"time_s": points["unix_s"], "speed_ms": points[speed] * SPEEDS[speed]})
    points = points.dropna(subset=["unix_s", *POSITIONS])
    time_s, latitude, longitude = (points[name].to_numpy(float) for name in ("unix_s", *POSITIONS))
    _refuse_disorder(time_s)
    if not (np.all(np.abs(latitude) <= 90) and np.all(np.abs(longitude) <= 180)):
        raise FileError("a latitude beyond 90° or a longitude beyond 180°: positions are in degrees")
    step_s = np.diff(time_s)
    near = (step_s > 0) & (step_s <= WIDEST_GAP_S)  # the speed within a gap is unknown
    middle_s, speed_ms = (time_s[1:] + time_s[:-1])[near] / 2, ground_m(latitude, longitude)[near] / step_s[near]
    return pd.DataFrame({"time_s": middle_s, "speed_ms": speed_ms})


def ground_m(latitude: Array, longitude: Array) -> Array:
    """Metres (n - 1,) between consecutive positions (n,) in degrees on WGS 84, ignoring height.

    Each step is computed in the plane tangent to the ellipsoid at its middle latitude. That is accurate to a few parts
    per million for steps up to tens of kilometres; a sphere would be off by up to half a percent. No library: the small
    ones for geodesy take one step at a time, a minute for a day's log, and the vectorised one is large.
    """
    middle = np.radians(latitude[1:] + latitude[:-1]) / 2
    curved = 1 - ECCENTRICITY_2 * np.sin(middle) ** 2
    north_m = np.radians(np.diff(latitude)) * SEMI_MAJOR_M * (1 - ECCENTRICITY_2) / curved**1.5
    east_deg = (np.diff(longitude) + 180) % 360 - 180  # the short way, also across the date line
    east_m = np.radians(east_deg) * SEMI_MAJOR_M * np.cos(middle) / np.sqrt(curved)
    metres: Array = np.hypot(north_m, east_m)
    return metres


def _refuse_disorder(time_s: Array) -> None:
    if back := np.flatnonzero(np.diff(time_s) < 0).tolist():
        raise FileError(f"point {back[0] + 2} is earlier than the one before it: sort the points by time")


def _checked(name: str, points: pd.DataFrame) -> SpeedLog:
    """The log of valid times and speeds. Points without a speed or frozen become gaps; exact repeats are dropped."""
    points = points.dropna()
    time_s, speed_ms = points["time_s"].to_numpy(float), points["speed_ms"].to_numpy(float)
    if time_s.size and not (time_s.min() >= EARLIEST_S and time_s.max() <= LATEST_S):
        raise FileError("times outside the years 2000 to 2100: unix_s is in seconds, time_utc is ISO 8601")
    if (odd := speed_ms[(speed_ms < 0) | (speed_ms > FASTEST_MS)]).size:
        raise FileError(f"a speed of {odd[0] * 3.6:.4g} km/h: check the unit of the column, or remove the point")
    _refuse_disorder(time_s)
    points = points.drop_duplicates()
    if (repeats := points["time_s"].duplicated()).any():
        number = points[repeats].index[0] + 1
        raise FileError(f"point {number} has the same time as the one before but another speed: keep one")
    if len(points) < 2:
        raise FileError(f"{len(points)} different points with time and speed: a log needs two or more")
    time_s, speed_ms = points["time_s"].to_numpy(float), points["speed_ms"].to_numpy(float)
    moving = ~_frozen(time_s, speed_ms)
    if moving.sum() < 2:
        raise FileError("the receiver stood still and jumped throughout: log again, with a view of the sky")
    return SpeedLog(name, time_s[moving], speed_ms[moving])


def _frozen(time_s: Array, speed_ms: Array) -> NDArray[np.bool_]:
    """Points (n,) at which the receiver was frozen: it stood still, then caught up faster than a vehicle can."""
    gains_ms2 = np.diff(speed_ms) / np.diff(time_s)
    frozen = np.zeros(time_s.size, bool)
    for jump in np.flatnonzero((speed_ms[:-1] < STANDING_MS) & (gains_ms2 > MOST_MS2)):
        first = jump
        while first > 0 and speed_ms[first - 1] < STANDING_MS:
            first -= 1
        end = jump + 1
        while end < gains_ms2.size and gains_ms2[end] < -MOST_MS2:  # one step covers the distance of all missed ones
            end += 1
        frozen[first:end] = True
    return frozen


def _unix_s(text: str) -> float:
    moment = instant(text)
    if moment is None:
        raise FileError(f"'{text.strip()[:40]}' is not a time: write ISO 8601, as 2026-05-04T09:30:00Z")
    return moment.timestamp()


def _numbers(column: pd.Series) -> pd.Series:
    numbers = pd.to_numeric(column, errors="coerce").astype(float)
    if (odd := column[column.notna() & ~np.isfinite(numbers)]).size:
        text = str(odd.iloc[0])[:40]
        raise FileError(f"point {odd.index[0] + 1}: {column.name} '{text}' is not a number: correct or empty it")
    return numbers
