"""Bench records: small JSON files tied to a box, its settings and a date; finding the one that holds for a capture."""

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
from towertap.doors.times import instant
from towertap.doors.whole_file import write_json
from towertap.errors import FileError
from towertap.version import WRITTEN_BY

SCHEMA = "towertap bench record"
VERSION = 1
"""A reader refuses a newer one."""

SIDECAR = ".conditions.json"
"""Ends the name of what lies beside a raw recording, which may be in the same folder."""

LARGEST_BYTES = 5_000_000

Pair = tuple[float, float]
Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


@dataclass(frozen=True)
class BoxSetup:
    """The box and the settings that a record holds for."""

    serial: str
    chip: str
    odr_hz: float
    range_g: Annotated[float, msgspec.Meta(gt=0, lt=1000)]
    anti_alias_hz: float | None


@dataclass(frozen=True)
class Record:
    """One bench record; `result` is what the bench found, by the names of its kind."""

    kind: str
    subject: BoxSetup
    measured_utc: str
    temperature_c: Pair | None
    """Lowest and highest temperature of the chip."""
    source: str
    """Name of the capture, or of the first of them."""
    result: dict[str, Any]


class _Head(msgspec.Struct):
    """What every version begins with."""

    schema: Literal["towertap bench record"]
    version: int


class _Floor(msgspec.Struct):
    """The noise in one band, of three axes."""

    rms: Vector
    band_hz: Pair


class _Level(msgspec.Struct):
    """An r.m.s. in one band."""

    rms: float
    band_hz: Pair


def _needs(**fields: Any) -> Any:
    """The type of an object that has these fields, and may have more."""
    return msgspec.defstruct("Result", list(fields.items()))


@dataclass(frozen=True)
class Kind:
    """One kind of record: what its result must hold, how alike the subject must be, how long it holds."""

    name: str
    needs: Any
    """The type of the part of the result that is read again."""
    alike: tuple[str, ...]
    days: float
    make: str
    """The command that makes one."""
    unfit: Callable[[dict[str, Any], Capture], str] = lambda result, capture: ""
    """Why its result does not hold for a capture of its box; empty when it does."""


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
    """The record that holds for a capture, or None; `words` say which and why."""

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


def record_of(kind: str, capture: Capture, result: dict[str, Any]) -> Record:
    """A record of what the bench found in a capture."""
    return Record(
        kind,
        subject_of(capture),
        capture.text("started_utc") or datetime.now(UTC).isoformat(),
        temperature_range_c(capture),
        capture.path.name,
        result,
    )


def temperature_range_c(capture: Capture) -> Pair | None:
    """Lowest and highest temperature of the chip in °C; None when it never told."""
    temperature_c = capture.layout.temperature_c(readings_of(capture.file).temperature)
    known = temperature_c[np.isfinite(temperature_c)]
    return (float(known.min()), float(known.max())) if known.size else None


def write(record: Record, folder: Path) -> Path:
    """Write a record into `folder`, whole or not at all, under a name of box, kind and time; give its path."""
    folder.mkdir(parents=True, exist_ok=True)
    moment = instant(record.measured_utc) or datetime.now(UTC)
    path = folder / f"{slug(record.subject.serial)}-{record.kind}-{moment:%Y%m%dT%H%M%SZ}.json"
    data = {"schema": SCHEMA, "version": VERSION, "written_by": WRITTEN_BY, **asdict(record)}
    write_json(path, data)
    return path


def read(path: Path) -> Record:
    """Read a record and hold it to its kind; FileError in one line for anything else."""
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
    """The record of a kind in `folder` that holds for the box, settings and date of a capture; the nearest in time."""
    rules, wanted = KINDS[kind], subject_of(capture)
    when = instant(capture.text("started_utc"))
    refused: list[str] = []
    fits: list[tuple[float, str, Record]] = []
    for path in sorted(folder.glob(f"*-{kind}-*.json")):
        if path.name.endswith(SIDECAR):
            continue
        try:
            record = read(path)
        except FileError as error:
            refused.append(str(error))
            continue
        measured = instant(record.measured_utc)
        days = abs((when - measured).total_seconds()) / 86400 if when and measured else 0.0
        if why := _why_not(rules, record, wanted, days) or rules.unfit(record.result, capture):
            refused.append(f"{path.name} {why}")
        else:
            fits.append((days, path.name, record))
    if not fits:
        reason = refused[0] if refused else f"none in '{folder}'"
        return RecordFor(None, f"no {kind} record holds for this capture: {reason}; make one with '{rules.make}'")
    days, name, record = min(fits, key=lambda fit: fit[0])
    undated = "" if when else "; the capture does not say when it was made"
    return RecordFor(record, f"{kind} record {name}, {days:.0f} days away{undated}")


def bench_folder(capture_path: Path, given: Path | None = None) -> Path:
    """Where the records for a capture are: as given, or `bench` beside it, or its folder when that is `bench`."""
    beside = capture_path.parent
    if (beside / "record.json").is_file():  # an archived recording: its archive keeps one folder for all
        beside = beside.parent
    return given or (beside if beside.name == "bench" else beside / "bench")


def digest_of(folder: Path) -> str:
    """The SHA-256 of all that may be a record in a folder, names and contents."""
    digest = hashlib.sha256()
    for path in sorted(path for kind in KINDS for path in folder.glob(f"*-{kind}-*.json")):
        with suppress(FileError):
            digest.update(f"{path.name}\0{sha256_of(path)}\0".encode())
    return digest.hexdigest()


def _why_not(kind: Kind, record: Record, wanted: BoxSetup, days: float) -> str:
    """Why a record does not hold; empty when it does."""
    if record.kind != kind.name:
        return f"is a {record.kind} record"
    measured, used = asdict(record.subject), asdict(wanted)
    for name in kind.alike:
        same = measured[name] == used[name]
        if isinstance(used[name], float) and isinstance(measured[name], float):
            same = math.isclose(measured[name], used[name], rel_tol=1e-6)
        if not same:
            return f"is for another {name} ({measured[name]}, not {used[name]})"
    return f"is {days:.0f} days away, more than {kind.days:.0f}" if days > kind.days else ""
