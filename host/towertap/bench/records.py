"""Bench records: small JSON files for a box, its settings and a date, and the search for one valid for a capture."""

import hashlib
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np

from towertap.box.naming import slug
from towertap.capture.rate import readings_of
from towertap.capture.reading import Capture
from towertap.doors.files import sha256_of
from towertap.doors.structured import read_json, typed
from towertap.doors.times import impossible, instant
from towertap.doors.whole_file import write_json
from towertap.errors import CallError, FileError
from towertap.version import WRITTEN_BY

SCHEMA = "towertap bench record"
VERSION = 1
"""Newer ones are refused."""

SIDECAR = ".conditions.json"
"""Suffix of a raw recording's sidecar, which may be in the same folder."""

LARGEST_BYTES = 5_000_000

Pair = tuple[float, float]
Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


@dataclass(frozen=True)
class BoxSetup:
    """A box and the settings that a record is valid for."""

    serial: str
    chip: str
    odr_hz: float
    range_g: Annotated[float, msgspec.Meta(gt=0, lt=1000)]
    anti_alias_hz: float | None


@dataclass(frozen=True)
class Record:
    """One bench record; `result` is the measurement, with keys according to its kind."""

    kind: str
    subject: BoxSetup
    measured_utc: str
    temperature_c: Pair | None
    """Lowest and highest temperature of the chip."""
    source: str
    """Name of the capture, or of the first one."""
    result: dict[str, Any]


class _Head(msgspec.Struct):
    """The fields that every version has."""

    schema: Literal["towertap bench record"]
    version: int


class _Floor(msgspec.Struct):
    """The noise of three axes in one band."""

    rms: Vector
    band_hz: Pair


class _Level(msgspec.Struct):
    """An r.m.s. in one band."""

    rms: float
    band_hz: Pair


def _needs(**fields: Any) -> Any:
    """The type of an object with these fields and possibly more."""
    return msgspec.defstruct("Result", list(fields.items()))


@dataclass(frozen=True)
class Kind:
    """One kind of record, and what makes it valid for a capture."""

    name: str
    needs: Any
    """The type of the part of the result that is read again."""
    alike: tuple[str, ...]
    """Fields of BoxSetup that must agree."""
    days: float
    """Largest distance in time."""
    make: str
    """The command that makes one."""
    unfit: Callable[[dict[str, Any], Capture], str] = lambda result, capture: ""
    """Why its result is not valid for a capture of its box; empty if it is."""


UNFIT = "was not fit for use when it was made"

KINDS = {
    kind.name: kind
    for kind in (
        Kind(
            "noise",
            _needs(at_rest=bool, density=_needs(value=Vector), floors=dict[str, _Floor]),
            ("serial", "chip", "odr_hz", "range_g", "anti_alias_hz"),
            366,
            "towertap bench noise",
            lambda result, capture: "" if result["at_rest"] else UNFIT,
        ),
        Kind(
            "calibration",
            _needs(offset_ms2=Vector, matrix=Matrix, expanded=_needs(matrix=Matrix)),
            ("serial", "chip", "range_g"),
            366,
            "towertap bench tumble",
        ),
        Kind(
            "tap",
            _needs(resonances=dict, usable_hz=_needs(one_third=float, one_fifth=float) | None),
            ("serial",),
            31,
            "towertap bench tap",
            lambda result, capture: "" if result["usable_hz"] else UNFIT,
        ),
        Kind("selftest", _needs(ok=bool, axes=list), ("serial", "chip"), 366, "towertap bench selftest"),
        Kind(
            "idle",
            _needs(vehicle=str, levels=dict[str, _Level]),
            ("serial", "chip", "odr_hz"),
            1,
            "towertap record --idle",
            lambda result, capture: (
                "" if result["vehicle"] == capture.conditions.vehicle else f"is of the vehicle '{result['vehicle']}'"
            ),
        ),
    )
}


@dataclass(frozen=True)
class RecordFor:
    """The record valid for a capture, or None; `words` say which, or why there is none."""

    record: Record | None
    words: str


def subject_of(capture: Capture) -> BoxSetup:
    """The box and settings of a capture."""
    anti_alias_hz = float(capture.file.attrs["anti_alias_hz"])
    return BoxSetup(
        str(capture.hello.get("serial", "")),
        capture.text("chip"),
        capture.odr_hz,
        float(capture.hello.get("accel_range_g", math.nan)),
        anti_alias_hz if math.isfinite(anti_alias_hz) else None,
    )


def refuse_import(capture: Capture) -> None:
    """Raise CallError for an imported capture, which says nothing about a box."""
    if capture.is_imported:
        raise CallError(f"{capture.path}: imported from another recorder; a bench record needs a recording by a box")


def record_of(kind: str, capture: Capture, result: dict[str, Any]) -> Record:
    """A record of a result measured from a capture."""
    return Record(
        kind,
        subject_of(capture),
        capture.text("started_utc") or datetime.now(UTC).isoformat(),
        temperature_range_c(capture),
        capture.path.name,
        result,
    )


def temperature_range_c(capture: Capture) -> Pair | None:
    """Lowest and highest temperature of the chip in °C; None if it reported none."""
    temperature_c = capture.layout.temperature_c(readings_of(capture.file).temperature)
    known = temperature_c[np.isfinite(temperature_c)]
    return (float(known.min()), float(known.max())) if known.size else None


def write(record: Record, folder: Path) -> Path:
    """Write a record into `folder`, completely or not at all, named by box, kind and time; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    moment = instant(record.measured_utc) or datetime.now(UTC)
    path = folder / f"{slug(record.subject.serial)}-{record.kind}-{moment:%Y%m%dT%H%M%SZ}.json"
    write_json(path, {"schema": SCHEMA, "version": VERSION, "written_by": WRITTEN_BY, **asdict(record)})
    return path


def read(path: Path) -> Record:
    """Read a record and check it against its kind; FileError if it is not one."""
    try:
        data = read_json(path, dict[str, Any], "a bench record", LARGEST_BYTES)
        version = typed(data, _Head, str(path)).version
        if version <= VERSION:
            record: Record = typed(data, Record, str(path))
            if record.kind not in KINDS:
                raise FileError(f"{path}: of an unknown kind")
            typed(record.result, KINDS[record.kind].needs, f"{path}: result")
            return record
    except FileError as error:
        raise FileError(f"{error}; not a bench record: make it again") from None
    raise FileError(f"{path}: a bench record of version {version}: install a newer towertap")


def find(folder: Path, kind: str, capture: Capture) -> RecordFor:
    """The record of a kind in `folder` that is valid for a capture's box, settings and date; the nearest in time."""
    rules, subject = KINDS[kind], subject_of(capture)
    started = instant(capture.text("started_utc"))
    reasons: list[str] = []
    valid: list[tuple[float, str, Record]] = []
    for path in sorted(folder.glob(f"*-{kind}-*.json")):
        if path.name.endswith(SIDECAR):
            continue
        try:
            record = read(path)
        except FileError as error:
            reasons.append(str(error))
            continue
        measured = instant(record.measured_utc)
        days = abs((started - measured).total_seconds()) / 86400 if started and measured else 0.0
        wrong_date = impossible(measured) if measured else ""
        if reason := wrong_date or _why_not(rules, record, subject, days) or rules.unfit(record.result, capture):
            reasons.append(f"{path.name} {reason}")
        else:
            valid.append((days, path.name, record))
    if not valid:
        reason = reasons[0] if reasons else f"none in '{folder}'"
        return RecordFor(None, f"no {kind} record is valid for this capture: {reason}; make one with '{rules.make}'")
    days, name, record = min(valid, key=lambda candidate: candidate[0])
    undated = "" if started else "; the capture does not say when it was made"
    return RecordFor(record, f"{kind} record {name}, {days:.0f} days away{undated}")


def bench_folder(capture_path: Path, given: Path | None = None) -> Path:
    """The folder of bench records: `given`, or `bench` next to the capture, or its own folder if that is `bench`."""
    parent = capture_path.parent
    if (parent / "record.json").is_file():  # an archived recording: its archive keeps one folder for all
        parent = parent.parent
    return given or (parent if parent.name == "bench" else parent / "bench")


def digest_of(folder: Path) -> str:
    """SHA-256 of the names and contents of all possible records in a folder."""
    digest = hashlib.sha256()
    for path in sorted(path for kind in KINDS for path in folder.glob(f"*-{kind}-*.json")):
        with suppress(FileError):
            digest.update(f"{path.name}\0{sha256_of(path)}\0".encode())
    return digest.hexdigest()


def _why_not(kind: Kind, record: Record, subject: BoxSetup, days: float) -> str:
    """Why a record is not valid; empty if it is."""
    if record.kind != kind.name:
        return f"is a {record.kind} record"
    for name in kind.alike:
        measured, used = getattr(record.subject, name), getattr(subject, name)
        both_numbers = isinstance(used, float) and isinstance(measured, float)
        if not (math.isclose(measured, used, rel_tol=1e-6) if both_numbers else measured == used):
            return f"is for another {name} ({measured}, not {used})"
    return f"is {days:.0f} days away, more than {kind.days:.0f}" if days > kind.days else ""
