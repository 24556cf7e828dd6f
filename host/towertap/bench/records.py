"""Bench records: small JSON files tied to a box, its settings and a date; finding the one that holds for a capture."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

import towertap
from towertap.box.naming import slug
from towertap.capture.rate import frame_blocks
from towertap.capture.reading import Capture
from towertap.errors import AnalysisError
from towertap.wire.frames import UNKNOWN_TEMPERATURE

SCHEMA = "towertap bench record"
VERSION = 1
"""A reader refuses a newer one."""

SIDECAR = ".conditions.json"
"""Ends the name of what lies beside a raw recording, which may be in the same folder."""

LARGEST_BYTES = 5_000_000
RANGE_G_LIMIT = 1000.0


@dataclass(frozen=True)
class Subject:
    """The box and the settings that a record holds for."""

    serial: str
    chip: str
    odr_hz: float
    range_g: float
    anti_alias_hz: float | None


@dataclass(frozen=True)
class Record:
    """One bench record; `result` is what the bench found, by the names of its kind."""

    kind: str
    subject: Subject
    measured_utc: str
    temperature_c: tuple[float, float] | None
    """Lowest and highest temperature of the chip."""
    source: str
    """Name of the capture, or of the first of them."""
    result: dict[str, Any]


@dataclass(frozen=True)
class Kind:
    """One kind of record: what its result must hold, how alike the subject must be, how long it holds."""

    name: str
    needs: dict[str, tuple[int, ...] | None]
    """Path in the result → shape of the finite numbers there, None for anything; `*` is every key, `?` may be null."""
    alike: tuple[str, ...]
    days: float
    usable: Callable[[dict[str, Any]], bool]
    make: str
    """The command that makes one."""


KINDS = {
    kind.name: kind
    for kind in (
        Kind(
            "noise",
            {"at_rest": None, "density.value": (3,), "floors.*.rms": (3,), "floors.*.band_hz": (2,)},
            ("serial", "chip", "odr_hz", "range_g", "anti_alias_hz"),
            366,
            lambda result: bool(result["at_rest"]),
            "towertap bench noise",
        ),
        Kind(
            "calibration",
            {"offset_ms2": (3,), "matrix": (3, 3), "expanded.matrix": (3, 3)},
            ("serial", "chip", "range_g"),
            366,
            lambda result: True,
            "towertap bench tumble",
        ),
        Kind(
            "tap",
            {"resonances": None, "usable_hz?.one_third": (), "usable_hz?.one_fifth": ()},
            ("serial",),
            31,
            lambda result: result["usable_hz"] is not None,
            "towertap bench tap",
        ),
        Kind(
            "clock",
            {"rate_hz": (), "rate_ppm": ()},
            ("serial", "chip", "odr_hz"),
            366,
            lambda result: True,
            "towertap bench clock",
        ),
        Kind(
            "selftest",
            {"ok": None, "axes": None},
            ("serial", "chip"),
            366,
            lambda result: True,
            "towertap bench selftest",
        ),
    )
}


@dataclass(frozen=True)
class Found:
    """The record that holds for a capture, or None; `words` say which and why."""

    record: Record | None
    words: str


def subject_of(capture: Capture) -> Subject:
    """The box and settings of a capture."""
    anti_alias_hz = float(capture.file.attrs["anti_alias_hz"])
    return Subject(
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


def temperature_range_c(capture: Capture) -> tuple[float, float] | None:
    """Lowest and highest temperature of the chip in °C; None when it never told."""
    words = [block["temperature_raw"] for block in frame_blocks(capture.file)]
    known = [w[w != UNKNOWN_TEMPERATURE] for w in words]
    if not any(len(w) for w in known):
        return None
    ends = [min(int(w.min()) for w in known if len(w)), max(int(w.max()) for w in known if len(w))]
    low, high = capture.layout.temperature_c(ends).tolist()  # type: ignore[arg-type]
    return low, high


def write(record: Record, folder: Path) -> Path:
    """Write a record into `folder`, whole or not at all, under a name of box, kind and time; give its path."""
    folder.mkdir(parents=True, exist_ok=True)
    moment = _moment(record.measured_utc) or datetime.now(UTC)
    path = folder / f"{slug(record.subject.serial)}-{record.kind}-{moment:%Y%m%dT%H%M%SZ}.json"
    data = {"schema": SCHEMA, "version": VERSION, "written_by": f"towertap {towertap.__version__}", **asdict(record)}
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n", "utf-8")
    os.replace(part, path)
    return path


def read(path: Path) -> Record:
    """Read a record and hold it to its kind; AnalysisError in one line for anything else."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ValueError("too large")
        data = json.loads(path.read_text("utf-8"))
        if data["schema"] != SCHEMA:
            raise ValueError("another schema")
        if not isinstance(data["version"], int) or data["version"] > VERSION:
            raise AnalysisError(f"{path}: a bench record of version {data['version']}: install a newer towertap")
        kind, subject, result = KINDS[data["kind"]], data["subject"], data["result"]
        for path_in_result, shape in kind.needs.items():
            _hold(result, path_in_result, shape)
        if not isinstance(subject["serial"], str) or not 0 < float(subject["range_g"]) < RANGE_G_LIMIT:
            raise ValueError("its subject")
        ends = data["temperature_c"]
        return Record(
            kind.name,
            Subject(**subject),
            str(data["measured_utc"]),
            None if ends is None else (float(ends[0]), float(ends[1])),
            str(data["source"]),
            dict(result),
        )
    except OSError as error:
        raise AnalysisError(f"{path}: {error.strerror}; make the record again") from None
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError) as error:
        words = " ".join(str(error).split())[:80]
        raise AnalysisError(f"{path}: not a bench record ({words}); make it again") from None


def find(folder: Path, kind: str, capture: Capture) -> Found:
    """The record of a kind in `folder` that holds for the box, settings and date of a capture; the nearest in time."""
    rules, wanted = KINDS[kind], subject_of(capture)
    when = _moment(capture.text("started_utc"))
    refused: list[str] = []
    fits: list[tuple[float, str, Record]] = []
    for path in sorted(folder.glob(f"*-{kind}-*.json")):
        if path.name.endswith(SIDECAR):
            continue
        try:
            record = read(path)
        except AnalysisError as error:
            refused.append(str(error))
            continue
        measured = _moment(record.measured_utc)
        days = abs((when - measured).total_seconds()) / 86400 if when and measured else 0.0
        if why := _why_not(rules, record, wanted, days):
            refused.append(f"{path.name} {why}")
        else:
            fits.append((days, path.name, record))
    if not fits:
        reason = refused[0] if refused else f"none in '{folder}'"
        return Found(None, f"no {kind} record holds for this capture: {reason}; make one with '{rules.make}'")
    days, name, record = min(fits, key=lambda one: one[0])
    undated = "" if when else "; the capture does not say when it was made"
    return Found(record, f"{kind} record {name}, {days:.0f} days away{undated}")


def bench_folder(capture_path: Path, given: Path | None = None) -> Path:
    """Where the records for a capture are: as given, or `bench` beside it, or its folder when that is `bench`."""
    beside = capture_path.parent
    if (beside / "record.json").is_file():  # an archived recording: its archive keeps one folder for all
        beside = beside.parent
    return given or (beside if beside.name == "bench" else beside / "bench")


def _hold(result: Any, path: str, shape: tuple[int, ...] | None) -> None:
    """Hold what lies at a path of a result to its shape; ValueError, TypeError or KeyError when it does not hold."""
    name, _, rest = path.partition(".")
    if name == "*":
        for item in result.values():
            _hold(item, rest, shape)
    elif rest:
        inner = result[name.removesuffix("?")]
        if inner is not None or not name.endswith("?"):
            _hold(inner, rest, shape)
    elif name not in result:
        raise ValueError(f"no {name}")
    elif shape is not None:
        numbers = np.array(result[name], float)
        if numbers.shape != shape or not np.isfinite(numbers).all():
            raise ValueError(f"its {name}")


def _why_not(kind: Kind, record: Record, wanted: Subject, days: float) -> str:
    """Why a record does not hold; empty when it does."""
    if record.kind != kind.name:
        return f"is a {record.kind} record"
    mine, theirs = asdict(record.subject), asdict(wanted)
    for name in kind.alike:
        if not _same(mine[name], theirs[name]):
            return f"is for another {name} ({mine[name]}, not {theirs[name]})"
    if days > kind.days:
        return f"is {days:.0f} days away, more than {kind.days:.0f}"
    return "" if kind.usable(record.result) else "was not fit for use when it was made"


def _same(a: object, b: object) -> bool:
    if isinstance(a, int | float) and isinstance(b, int | float):
        return math.isclose(a, b, rel_tol=1e-6)
    return a == b


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
