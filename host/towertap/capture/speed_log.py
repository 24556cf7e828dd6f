"""Speed over time as a receiver logged it: read, held to its rules, and asked by time (hardware_notes/speed_log.md)."""

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
"""Ten points a second over twelve hours are fewer."""
FASTEST_MS = 150.0
"""540 km/h: whatever says more is no road vehicle, or speaks another unit."""
WIDEST_GAP_S = 5.0
"""Speed is interpolated between points no further apart than this."""
STANDING_MS, MOST_MS2 = 0.5, 12.0
"""A receiver that stood still and then gains speed faster than tyres can give it (1.2 g) was frozen, and no vehicle."""
EARLIEST_S, LATEST_S = 946684800.0, 4102444800.0
"""The years 2000 to 2100: outside them a clock was never set."""

SEMI_MAJOR_M, ECCENTRICITY_2 = 6378137.0, 0.00669437999014
"""The ellipsoid WGS 84, in which satellite positions are given (NIMA TR 8350.2)."""


@dataclass(frozen=True)
class LogOffset:
    """How far a log's clock is ahead of the host's, in seconds, and how that is known.

    `uncertainty_s` is half of the 95 % interval of an offset that was found, None of one given or taken as nought.
    """

    seconds: float
    uncertainty_s: float | None
    source: str


@dataclass(frozen=True, eq=False)
class SpeedLog:
    """Speed over time: `time_s` (n,) rising, unix time or, once joined to a pass, from the start of its capture.

    `speed_ms` (n,) in m/s; nobody knows how good it is. `offset` is the clock's, once it has been joined.
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
        """Whether the log spans a stretch of time without a gap wider than WIDEST_GAP_S."""
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
        upto_m = np.append(0.0, np.cumsum(steps_s * (self.speed_ms[1:] + self.speed_ms[:-1]) / 2))
        at = np.clip(np.searchsorted(self.time_s, time_s, "right") - 1, 0, steps_s.size - 1)
        into_s = time_s - self.time_s[at]
        slope = np.diff(self.speed_ms) / steps_s
        way: Array = upto_m[at] + into_s * (self.speed_ms[at] + slope[at] * into_s / 2)
        return way


def read_speed_logs(path: str | Path) -> list[SpeedLog]:
    """The log at `path`, or every log (*.gpx, *.csv) in the folder `path`; FileError in one line if it is none."""
    path = Path(path)
    if not path.is_dir():
        return [read_speed_log(path)]
    logs = sorted(entry for entry in path.iterdir() if entry.suffix.lower() in READERS)
    if not logs:
        raise FileError(f"{path}: no speed log in this folder; put GPX (.gpx) or CSV (.csv) files into it")
    return [read_speed_log(entry) for entry in logs]


def read_speed_log(path: str | Path) -> SpeedLog:
    """Read one log by its suffix, .gpx or .csv; FileError in one line for whatever else the path names."""
    path = Path(path)
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise FileError(
            f"{path}: no folder, and no speed log is read from '{path.suffix}'; give {' or '.join(READERS)}"
        )
    wanted = f"a speed log ({path.suffix}) of the day of the drives"
    if not size_of(path, wanted, MOST_BYTES):
        raise FileError(f"{path}: empty: export the log again")
    try:
        with opened(path, wanted) as file, closing(reader(file)) as rows:
            return _checked(path.name, _speeds(_points(rows)))
    except FileError as error:
        raise FileError(f"{path}: {error}") from None


def _points(rows: Iterator[pd.DataFrame]) -> pd.DataFrame:
    """Rows of texts, as numbers: `time` in unix s, `speed` in m/s, POSITIONS in degrees; NaN where a cell is empty."""
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
        raise FileError("no points: export the track itself, not its way-points or a line of names alone")
    return pd.concat(tables, ignore_index=True)


def _speeds(points: pd.DataFrame) -> pd.DataFrame:
    """`time_s` and `speed_ms` as the receiver told them, where it did for most points, else from the positions."""
    speed = next((name for name in SPEEDS if name in points), None)
    if speed and (POSITIONS[0] not in points or points[speed].notna().mean() > 0.5):
        return pd.DataFrame({"time_s": points["unix_s"], "speed_ms": points[speed] * SPEEDS[speed]})
    points = points.dropna(subset=["unix_s", *POSITIONS])
    time_s, latitude, longitude = (points[name].to_numpy(float) for name in ("unix_s", *POSITIONS))
    _refuse_disorder(time_s)
    if not (np.all(np.abs(latitude) <= 90) and np.all(np.abs(longitude) <= 180)):
        raise FileError("a latitude beyond 90° or a longitude beyond 180°: positions are in degrees")
    step_s = np.diff(time_s)
    near = (step_s > 0) & (step_s <= WIDEST_GAP_S)  # a step over a gap says nothing of the speed in it
    middle_s, speed_ms = (time_s[1:] + time_s[:-1])[near] / 2, ground_m(latitude, longitude)[near] / step_s[near]
    return pd.DataFrame({"time_s": middle_s, "speed_ms": speed_ms})


def ground_m(latitude: Array, longitude: Array) -> Array:
    """Metres between neighbours of positions (n,) in degrees on WGS 84, (n − 1,), height left out.

    Each step is taken in the plane that touches the ellipsoid at its middle latitude, so that it is good to some
    millionths for steps up to tens of kilometres, where a sphere would be off by up to half a percent. By hand: the
    small libraries of geodesy take one step at a time, a minute for a day's log, and the one that does not is large.
    """
    middle = np.radians(latitude[1:] + latitude[:-1]) / 2
    curved = 1 - ECCENTRICITY_2 * np.sin(middle) ** 2
    north_m = np.radians(np.diff(latitude)) * SEMI_MAJOR_M * (1 - ECCENTRICITY_2) / curved**1.5
    turned = (np.diff(longitude) + 180) % 360 - 180  # the short way round, over the date line too
    east_m = np.radians(turned) * SEMI_MAJOR_M * np.cos(middle) / np.sqrt(curved)
    metres: Array = np.hypot(north_m, east_m)
    return metres


def _refuse_disorder(time_s: Array) -> None:
    if back := np.flatnonzero(np.diff(time_s) < 0).tolist():
        raise FileError(f"point {back[0] + 2} is earlier than the one before it: sort the points by time")


def _checked(name: str, points: pd.DataFrame) -> SpeedLog:
    """The log of times and speeds as read; points without a speed, or frozen, are gaps, exact repeats drop."""
    points = points.dropna()
    time_s, speed_ms = points["time_s"].to_numpy(float), points["speed_ms"].to_numpy(float)
    if time_s.size and not (time_s.min() >= EARLIEST_S and time_s.max() <= LATEST_S):
        raise FileError("times outside the years 2000 to 2100: unix_s is in seconds, time_utc is ISO 8601")
    if (odd := speed_ms[(speed_ms < 0) | (speed_ms > FASTEST_MS)]).size:
        raise FileError(f"a speed of {odd[0] * 3.6:.4g} km/h: look at the unit of the column, or take the point out")
    _refuse_disorder(time_s)
    points = points.drop_duplicates()
    if (twice := points["time_s"].duplicated()).any():
        again = points[twice].index[0] + 1
        raise FileError(f"point {again} has the time of the one before it and another speed: keep one")
    if len(points) < 2:
        raise FileError(f"{len(points)} different points with time and speed: a log needs two or more")
    time_s, speed_ms = points["time_s"].to_numpy(float), points["speed_ms"].to_numpy(float)
    moving = ~_frozen(time_s, speed_ms)
    if moving.sum() < 2:
        raise FileError("the receiver stood still and jumped throughout: log again, with a view of the sky")
    return SpeedLog(name, time_s[moving], speed_ms[moving])


def _frozen(time_s: Array, speed_ms: Array) -> NDArray[np.bool_]:
    """Points (n,) at which the receiver was frozen: it stood still, and then caught up faster than a vehicle can."""
    gains_ms2 = np.diff(speed_ms) / np.diff(time_s)
    frozen = np.zeros(time_s.size, bool)
    for jump in np.flatnonzero((speed_ms[:-1] < STANDING_MS) & (gains_ms2 > MOST_MS2)):
        first = jump
        while first > 0 and speed_ms[first - 1] < STANDING_MS:
            first -= 1
        end = jump + 1
        while end < gains_ms2.size and gains_ms2[end] < -MOST_MS2:  # one step held the way of all that were missed
            end += 1
        frozen[first:end] = True
    return frozen


def _unix_s(text: str) -> float:
    moment = instant(text)
    if moment is None:
        raise FileError(f"'{text.strip()[:40]}' is no time: write ISO 8601, as 2026-05-04T09:30:00Z")
    return moment.timestamp()


def _numbers(column: pd.Series) -> pd.Series:
    numbers = pd.to_numeric(column, errors="coerce").astype(float)
    if (odd := column[column.notna() & ~np.isfinite(numbers)]).size:
        word = str(odd.iloc[0])[:40]
        raise FileError(
            f"point {odd.index[0] + 1}: its {column.name} is '{word}', no number: mend it or leave it empty"
        )
    return numbers
