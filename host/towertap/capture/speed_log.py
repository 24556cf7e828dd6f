"""Reads speed logs: GPX tracks, and CSV as `hardware_notes/speed_log.md` defines it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from towertap.errors import FileError

Array = NDArray[np.float64]

MOST_BYTES = 128 * 2**20
MOST_POINTS = 1_000_000
"""Ten points a second over a whole day are fewer."""
FASTEST_MS = 150.0
"""540 km/h: whatever says more is no road vehicle, or speaks another unit."""
WIDEST_GAP_S = 5.0
"""Speed is interpolated between points no further apart than this."""
EARLIEST_S, LATEST_S = 946684800.0, 4102444800.0
"""The years 2000 to 2100: outside them a clock was never set."""
CHUNK = 65536
TIMES = ("time_utc", "unix_s")
SPEEDS = {"speed_ms": 1.0, "speed_kmh": 1 / 3.6}
"""Column of a CSV → what makes m/s of it."""
POSITIONS = ("latitude", "longitude")

SEMI_MAJOR_M, ECCENTRICITY_2 = 6378137.0, 0.00669437999014
"""The ellipsoid WGS 84, in which satellite positions are given (NIMA TR 8350.2)."""


@dataclass(frozen=True)
class Offset:
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
    offset: Offset | None = None

    def shifted(self, by_s: float, offset: Offset | None = None) -> SpeedLog:
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
    if path.is_dir():
        paths = sorted(one for one in path.iterdir() if one.suffix.lower() in READERS)
        if not paths:
            raise FileError(f"{path}: no speed log in this folder; put GPX (.gpx) or CSV (.csv) files into it")
        return [read_speed_log(one) for one in paths]
    return [read_speed_log(path)]


def read_speed_log(path: str | Path) -> SpeedLog:
    """Read one log by its suffix, .gpx or .csv; FileError in one line for whatever else the path names."""
    path = Path(path)
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise FileError(f"{path}: no speed log is read from '{path.suffix}'; give {' or '.join(READERS)}")
    if not path.is_file():
        raise FileError(f"{path}: no such file; give a speed log")
    try:
        size = path.stat().st_size
        if not 0 < size <= MOST_BYTES:
            large = f"larger than {MOST_BYTES // 2**20} MB: cut it to the day of the drives"
            raise FileError(large if size else "empty: export the log again")
        time_s, speed_ms = reader(path)
        return _checked(path.name, time_s, speed_ms)
    except PermissionError:
        raise FileError(f"{path}: no right to read it") from None
    except FileError as error:
        raise FileError(f"{path}: {error}") from None


def ground_m(latitude: Array, longitude: Array) -> Array:
    """Metres between neighbours of positions (n,) in degrees on WGS 84, (n − 1,), height left out.

    Each step is taken in the plane that touches the ellipsoid at its middle latitude, so that it is good to some
    millionths for steps up to tens of kilometres, where a sphere would be off by up to half a percent.
    """
    middle = np.radians(latitude[1:] + latitude[:-1]) / 2
    curved = 1 - ECCENTRICITY_2 * np.sin(middle) ** 2
    north_m = np.radians(np.diff(latitude)) * SEMI_MAJOR_M * (1 - ECCENTRICITY_2) / curved**1.5
    turned = (np.diff(longitude) + 180) % 360 - 180  # the short way round, over the date line too
    east_m = np.radians(turned) * SEMI_MAJOR_M * np.cos(middle) / np.sqrt(curved)
    metres: Array = np.hypot(north_m, east_m)
    return metres


def _speed_of(time_s: Array, latitude: Array, longitude: Array) -> tuple[Array, Array]:
    """Times and speeds from positions: each step's mean speed at its middle."""
    _refuse_disorder(time_s)
    if not (np.all(np.abs(latitude) <= 90) and np.all(np.abs(longitude) <= 180)):
        raise FileError("a latitude beyond 90° or a longitude beyond 180°: positions are in degrees")
    step_s = np.diff(time_s)
    moved = step_s > 0
    step_s = step_s[moved]
    near = step_s <= WIDEST_GAP_S  # a step over a gap says nothing of the speed in it
    middle_s = ((time_s[1:] + time_s[:-1]) / 2)[moved]
    return middle_s[near], (ground_m(latitude, longitude)[moved] / step_s)[near]


def _refuse_disorder(time_s: Array) -> None:
    if back := np.flatnonzero(np.diff(time_s) < 0).tolist():
        raise FileError(f"point {back[0] + 2} is earlier than the one before it: sort the points by time")


def _checked(name: str, time_s: Array, speed_ms: Array) -> SpeedLog:
    """The log of times and speeds as read; points without a speed are gaps, exact repeats drop."""
    there = np.isfinite(time_s) & np.isfinite(speed_ms)
    time_s, speed_ms = time_s[there], speed_ms[there]
    if time_s.size < 2:
        raise FileError(f"{time_s.size} points with time and speed: a log needs two or more")
    if not (time_s.min() >= EARLIEST_S and time_s.max() <= LATEST_S):
        raise FileError("times outside the years 2000 to 2100: unix_s is in seconds, time_utc is ISO 8601")
    if not (speed_ms.min() >= 0 and speed_ms.max() <= FASTEST_MS):
        odd = speed_ms.min() if speed_ms.min() < 0 else speed_ms.max()
        raise FileError(f"a speed of {odd * 3.6:.4g} km/h: look at the unit of the column, or take the point out")
    _refuse_disorder(time_s)
    again = np.flatnonzero(np.diff(time_s) == 0)
    if (differs := again[speed_ms[again] != speed_ms[again + 1]]).size:
        raise FileError(f"point {differs[0] + 2} has the time of the one before it and another speed: keep one")
    time_s, speed_ms = np.delete(time_s, again), np.delete(speed_ms, again)
    if time_s.size < 2:
        raise FileError("every point has the same time: a log needs two or more")
    return SpeedLog(name, time_s, speed_ms)


def _unix_s(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text.strip())
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        raise FileError(f"'{text.strip()[:40]}' is no time: write ISO 8601, as 2026-05-04T09:30:00Z") from None


def _read_csv(path: Path) -> tuple[Array, Array]:
    chunks: list[pd.DataFrame] = []
    points = 0
    try:
        with pd.read_csv(path, dtype=str, chunksize=CHUNK, skipinitialspace=True, encoding="utf-8-sig") as reader:
            for chunk in reader:
                if not chunks:
                    _refuse_columns([str(name) for name in chunk.columns])
                if not isinstance(chunk.index, pd.RangeIndex):  # pandas takes a column without a name for the index
                    raise ValueError
                points += len(chunk)
                if points > MOST_POINTS:
                    raise FileError(f"more than {MOST_POINTS:,} points: cut it to the day of the drives")
                chunks.append(_numbers(chunk))
    except pd.errors.EmptyDataError:
        raise FileError("empty") from None
    except (pd.errors.ParserError, UnicodeDecodeError, ValueError):
        raise FileError("not a CSV file of comma-separated columns under one line of names, in UTF-8") from None
    if not points:
        raise FileError("a line of names and no points")
    table = pd.concat(chunks, ignore_index=True)
    time_s = table["time"].to_numpy(float)
    if "speed" in table:
        return time_s, table["speed"].to_numpy(float)
    there = table.notna().all(axis=1).to_numpy()
    return _speed_of(time_s[there], *(table[name].to_numpy(float)[there] for name in POSITIONS))


def _refuse_columns(names: list[str]) -> None:
    """FileError unless there is one column of time, and one of speed or both of position."""
    if len(names) == 1 and ";" in names[0]:
        raise FileError("its columns are separated by semicolons: separate them by commas, and write 36.5 for 36,5")
    for of, known in (("time", TIMES), ("speed", tuple(SPEEDS))):
        if len(found := [name for name in known if name in names]) > 1:
            raise FileError(f"two columns of {of}, {' and '.join(found)}: keep one")
    if not any(name in names for name in TIMES):
        raise FileError(f"no column of time: name one {' or '.join(TIMES)}")
    if not any(name in names for name in SPEEDS) and not all(name in names for name in POSITIONS):
        raise FileError(f"no column of speed: name one {' or '.join(SPEEDS)}, or give {' and '.join(POSITIONS)}")


def _numbers(chunk: pd.DataFrame) -> pd.DataFrame:
    """Time in unix s, and speed in m/s or else latitude and longitude; an empty cell is NaN."""
    table: dict[str, Any] = {}
    if "time_utc" in chunk:
        table["time"] = [np.nan if pd.isna(text) else _unix_s(text) for text in chunk["time_utc"]]
    else:
        table["time"] = _floats(chunk["unix_s"])
    speed = next((name for name in SPEEDS if name in chunk), None)
    if speed:
        table["speed"] = _floats(chunk[speed]) * SPEEDS[speed]
    else:
        table |= {name: _floats(chunk[name]) for name in POSITIONS}
    return pd.DataFrame(table)


def _floats(column: pd.Series) -> Array:
    numbers: Array = pd.to_numeric(column, errors="coerce").to_numpy(float)
    if (odd := column[column.notna().to_numpy() & ~np.isfinite(numbers)]).size:
        raise FileError(
            f"line {odd.index[0] + 2} (blank ones not counted): '{str(odd.iloc[0])[:40]}' in the column {column.name} "
            "is no number: mend it, or leave the cell empty"
        )
    return numbers


def _read_gpx(path: Path) -> tuple[Array, Array]:
    points = _TrackPoints()
    try:
        with path.open("rb") as file:
            points.parser.ParseFile(file)
    except expat.ExpatError as error:
        why = expat.ErrorString(error.code)
        raise FileError(f"not whole XML (line {error.lineno}: {why}); export the track again") from None
    if not points.rows:
        raise FileError("no track point (trkpt) with a time; export the track, not the way-points, as GPX 1.1")
    latitude, longitude, time_s, speed_ms = np.array(points.rows).T
    if np.isfinite(speed_ms).mean() > 0.5:  # points without one, as before a fix, are gaps, as empty cells of a CSV
        return time_s, speed_ms
    return _speed_of(time_s, latitude, longitude)


class _TrackPoints:
    """Takes the track points out of a GPX file as it is parsed; memory grows with their number only.

    A speed is an element `speed` in m/s, of the point itself (GPX 1.0) or within its extensions (GPX 1.1). A document
    type, and with it every entity of its own, is refused.
    """

    def __init__(self) -> None:
        self.rows: list[tuple[float, float, float, float]] = []
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self._open: list[str] = []
        self._point: dict[str, float] | None = None
        self._held = ""

    @staticmethod
    def _refuse_doctype(*_: object) -> None:
        raise FileError("a GPX file with a document type (DOCTYPE), which none needs; export the track again")

    def _start(self, element: str, attributes: dict[str, str]) -> None:
        name = element.rpartition(" ")[2]
        if not self._open and name != "gpx":
            raise FileError(f"XML of another kind ('{name[:40]}'), not GPX")
        if len(self._open) > 50:
            raise FileError("elements nested too deep for GPX")
        self._open.append(name)
        self._held = ""
        if name == "trkpt":
            self._point = {key: _number(attributes.get(key, ""), key) for key in ("lat", "lon")}

    def _text(self, text: str) -> None:
        if self._point is not None and self._open[-1] in ("time", "speed") and len(self._held) < 100:
            self._held += text

    def _end(self, _element: str) -> None:
        name = self._open.pop()
        if self._point is None:
            return
        if name == "time" and self._open[-1] == "trkpt":
            self._point["time"] = _unix_s(self._held)
        elif name == "speed":
            self._point["speed"] = _number(self._held, "speed")
        elif name == "trkpt":
            if "time" in self._point:
                one = self._point
                self.rows.append((one["lat"], one["lon"], one["time"], one.get("speed", np.nan)))
            if len(self.rows) > MOST_POINTS:
                raise FileError(f"more than {MOST_POINTS:,} points: cut it to the day of the drives")
            self._point = None


def _number(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise FileError(f"a track point whose {what} is '{text.strip()[:40]}', no number")
    return value


READERS: dict[str, Callable[[Path], tuple[Array, Array]]] = {".gpx": _read_gpx, ".csv": _read_csv}
"""Suffix → what reads times (unix s) and speeds (m/s) from it."""
