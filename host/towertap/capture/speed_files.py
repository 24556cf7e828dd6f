"""File formats of speed logs: one reader per suffix, from bytes to tables of strings (hardware_notes/speed_log.md)."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import BinaryIO
from xml.etree.ElementTree import ParseError

from defusedxml.ElementTree import DefusedXMLParser, DTDForbidden

from towertap.errors import FileError
from towertap.lazily import pd

TIMES = ("time_utc", "unix_s")
SPEEDS = {"speed_ms": 1.0, "speed_kmh": 1 / 3.6}
"""CSV column → factor to m/s."""
POSITIONS = ("latitude", "longitude")
ROWS = 65536
XML_BYTES = 2**20
"""Read size. No tag or text of a track is longer; the parser rescans an unfinished one at each feed."""

Texts = Generator["pd.DataFrame", None, None]
"""Tables of strings with the columns of a CSV; an empty cell is NaN."""


def _read_csv(file: BinaryIO) -> Texts:
    try:
        with pd.read_csv(file, dtype=str, chunksize=ROWS, skipinitialspace=True, encoding="utf-8-sig") as reader:
            for rows in reader:
                _refuse_columns([str(name) for name in rows.columns])
                if not isinstance(rows.index, pd.RangeIndex):  # pandas takes a column without a name for the index
                    raise ValueError
                yield rows
    except (pd.errors.EmptyDataError, pd.errors.ParserError, ValueError):
        raise FileError("not a CSV file of comma-separated columns under one line of names, in UTF-8") from None


def _refuse_columns(names: list[str]) -> None:
    """FileError unless there is one time column, and either one speed column or both position columns."""
    if len(names) == 1 and ";" in names[0]:
        raise FileError("columns separated by semicolons: separate them by commas, and write 36.5 for 36,5")
    for what, known in (("time", TIMES), ("speed", tuple(SPEEDS))):
        if len(duplicates := [name for name in known if name in names]) > 1:
            raise FileError(f"two columns of {what}, {' and '.join(duplicates)}: keep one")
    if not any(name in names for name in TIMES):
        raise FileError(f"no column of time: name one {' or '.join(TIMES)}")
    if not any(name in names for name in SPEEDS) and not all(name in names for name in POSITIONS):
        raise FileError(f"no column of speed: name one {' or '.join(SPEEDS)}, or give {' and '.join(POSITIONS)}")


def _read_gpx(file: BinaryIO) -> Texts:
    """The track points, parsed by defusedxml.

    A GPX library takes 2.6 kB and 36 µs per point: 2 GB and half a minute for a day at ten points per second.
    """
    track = _TrackPoints()
    parser = DefusedXMLParser(target=track, forbid_dtd=True)
    try:
        while part := file.read(XML_BYTES):
            if len(part) == XML_BYTES and b"<" not in part:
                raise FileError("a tag or text of more than a megabyte, which no track has")
            parser.feed(part)
            if track.points:
                yield track.taken()
        parser.close()
    except DTDForbidden:
        raise FileError("a GPX file with a document type (DOCTYPE), which GPX never needs; export it again") from None
    except (ParseError, ValueError, LookupError) as error:  # the last two: an unknown encoding
        raise FileError(f"not valid XML ({' '.join(str(error).split())[:80]}); export the track again") from None


class _TrackPoints:
    """Parser target that collects points with a time, and their speed from the point (GPX 1.0) or extensions (1.1)."""

    def __init__(self) -> None:
        self.points: list[dict[str, str]] = []
        self._taken = 0
        self._open: list[str] = []
        self._point: dict[str, str] = {}
        self._text = ""

    def taken(self) -> pd.DataFrame:
        """The points since the last call."""
        rows = pd.DataFrame(self.points, columns=["time_utc", "speed_ms", *POSITIONS])
        rows.index += self._taken
        self._taken += len(rows)
        self.points = []
        return rows

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition("}")[2]
        if not self._open and name != "gpx":
            raise FileError(f"XML of another kind ('{name[:40]}'), not GPX")
        if len(self._open) > 50:
            raise FileError("elements nested too deeply for GPX")
        self._open.append(name)
        self._text = ""
        if name == "trkpt":
            self._point = {"latitude": attributes.get("lat", "none"), "longitude": attributes.get("lon", "none")}

    def data(self, text: str) -> None:
        if self._open[-1] in ("time", "speed"):
            self._text = (self._text + text)[:100]

    def end(self, _tag: str) -> None:
        name = self._open.pop()
        if name == "time" and self._open[-1:] == ["trkpt"]:
            self._point["time_utc"] = self._text
        elif name == "speed" and "trkpt" in self._open:
            self._point["speed_ms"] = self._text
        elif name == "trkpt" and "time_utc" in self._point:
            self.points.append(self._point)


READERS: dict[str, Callable[[BinaryIO], Texts]] = {".gpx": _read_gpx, ".csv": _read_csv}
"""Suffix → reader of a log's points."""
