"""Records of archived recordings, and the list of kept plans and bench records: JSON files with their own SHA-256."""

import gzip
import hashlib
import json
import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from towertap.capture.conditions import StruckOut
from towertap.doors.files import content, opened, sha256_of
from towertap.doors.structured import from_json, read_json, typed
from towertap.doors.whole_file import whole_file
from towertap.errors import FileError

NAME = "record.json"
FORMAT = 1
RAW, CAPTURE, SIDECAR = "raw.ttraw.gz", "capture.h5", "raw.conditions.json"
FILES = (RAW, CAPTURE, SIDECAR)
"""Files in a recording's folder besides its record; the sidecar only if the recording had one."""

LARGEST_BYTES = 2**26
BLOCK_BYTES = 2**20

LIST = "kept.json"
KEPT_FOLDERS = {"towertap-plan": "plans", "towertap bench record": "bench"}
"""A file's `schema` → the folder in which it is kept."""
MOST_BYTES = 2**24
WANTED = "a plan or a bench record (.json)"
SEALED = "the one that 'towertap archive add' wrote there, from a copy of the archive"

Record = dict[str, Any]
"""The keys of RecordShape, and `added_utc`, `added_by`, `board`, `serial`, `chip`, `odr_hz`."""


class Sum(msgspec.Struct):
    """A file's length and SHA-256 in hex."""

    bytes: Annotated[int, Meta(ge=0)]
    sha256: str


class Correction(msgspec.Struct):
    """Earlier content of a record, before a correction."""

    conditions: dict[str, Any]
    until_utc: str
    struck_out: StruckOut | None = None


class RecordShape(msgspec.Struct):
    """The required keys of a record; it may have more."""

    format: int
    name: Annotated[str, Meta(pattern="^[A-Za-z0-9][A-Za-z0-9_-]*$")]
    """Name of the folder."""
    raw: Sum
    """The uncompressed raw recording; it also has a `name`."""
    files: dict[str, Sum]
    """Stored files by name."""
    conditions: dict[str, Any]
    started_utc: str
    schema_version: str
    host: str
    firmware: str
    samples: int
    seconds: float
    utc_offset_s: Annotated[int, Meta(ge=-86000, le=86000)] | None = None
    """Local time minus UTC where it was recorded."""
    struck_out: StruckOut | None = None
    """Set if the pass is left out everywhere."""
    history: list[Correction] = []
    """Oldest first."""
    from_box: bool = True
    """False if the raw recording is another recorder's file."""


def seal(content: Any) -> bytes:
    """JSON text with `content` and its SHA-256; the same content always gives the same text.

    Equals `json.dumps(…, indent=1, sort_keys=True)`, whose indenting would take six times as long.
    """
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    digest = hashlib.sha256(msgspec.json.format(text, indent=1).encode()).hexdigest()
    return msgspec.json.format(f'{{"content":{text},"sha256":"{digest}"}}', indent=1).encode() + b"\n"


def unseal(path: Path) -> Any:
    """The content of a sealed file; FileError if any byte has changed."""
    if path.is_symlink():
        raise FileError(f"{path}: a link, not a file")
    text = content(path, SEALED, LARGEST_BYTES)
    with suppress(FileError):
        sealed = from_json(text, dict[str, Any], "").get("content")
        if seal(sealed) == text:
            return sealed
    raise FileError(f"{path}: damaged; restore it from a copy")


def read_record(folder: Path) -> Record:
    """The record in a recording's folder; FileError names the file if it is missing, damaged or newer."""
    path = folder / NAME
    return checked_record(unseal(path), path)


def checked_record(record: Any, path: Path) -> Record:
    """The record from `path` if it is valid; else FileError."""
    if isinstance(record, dict) and isinstance(record.get("format"), int) and record["format"] > FORMAT:
        raise FileError(f"{path}: written by a newer towertap; install that")
    shape: RecordShape = typed(record, RecordShape, f"{path}: not the record of a recording")
    if not {RAW, CAPTURE} <= set(shape.files) <= set(FILES):
        raise FileError(f"{path}: not the record of a recording: names the wrong files")
    return dict(record)


def is_archived(path: Path) -> bool:
    """Whether a file is in the folder of an archived recording, to which nothing may be added."""
    return (path.parent / NAME).is_file() and path.name in FILES


def sum_of(path: Path) -> dict[str, Any]:
    """Length and SHA-256 of a file, as in a record."""
    return {"bytes": path.stat().st_size, "sha256": sha256_of(path)}


def blocks_of(path: Path, stored: Mapping[str, Any], *, packed: bool = False) -> Iterator[bytes]:
    """Read a stored file in blocks, decompressed if `packed`; FileError unless length and SHA-256 are those `stored`.

    Links are not followed, and at most one byte beyond the length is read.
    """
    if path.is_symlink() or not path.is_file():
        raise FileError(f"{path}: missing, or not a regular file")
    digest, size = hashlib.sha256(), 0
    try:
        with opened(path, "a file of a recording") as file, gzip.open(file) if packed else file as source:
            while block := source.read(min(BLOCK_BYTES, stored["bytes"] + 1 - size)):
                digest.update(block)
                size += len(block)
                yield block
    except (OSError, EOFError, zlib.error) as error:
        raise FileError(f"{path}: damaged: not as it was added ({error})") from None
    if (size, digest.hexdigest()) != (stored["bytes"], stored["sha256"]):
        raise FileError(f"{path}: damaged: not as it was added (length, SHA-256)")


def damage(path: Path, stored: Mapping[str, Any], *, packed: bool = False) -> str:
    """What is wrong with a stored file, which is read completely; empty if it is as it was added."""
    try:
        for _ in blocks_of(path, stored, packed=packed):
            pass
    except FileError as error:
        return str(error).removeprefix(f"{path}: ")
    return ""


def damages(folder: Path, record: Record) -> dict[str, str]:
    """What is wrong with a recording's files, by name; intact files are left out."""
    wrong = {file: what for file, stored in record["files"].items() if (what := damage(folder / file, stored))}
    if RAW not in wrong and damage(folder / RAW, record["raw"], packed=True):
        wrong[RAW] = "does not unpack to the bytes that the box sent"
    return wrong


def kept_in(path: Path) -> str:
    """The archive's folder for a plan or bench record; FileError for any other file."""
    kind = read_json(path, dict[str, Any], WANTED, MOST_BYTES).get("schema")
    if kind not in KEPT_FOLDERS:
        raise FileError(f"{path}: not a plan or bench record; give {WANTED}")
    return KEPT_FOLDERS[kind]


def is_kept_kind(path: Path) -> bool:
    """Whether a file is a plan or a bench record."""
    with suppress(FileError):
        return bool(kept_in(path))
    return False


def keep(archive: Path, path: Path) -> tuple[str, bool, tuple[str, ...]]:
    """Keep a copy of a plan or bench record, or restore a missing or damaged one; for one caller at a time.

    Returns its place in the archive, whether it is new, and that place again if it was restored. FileError if a
    different file of that name is kept.
    """
    place = f"{kept_in(path)}/{path.name}"
    kept, sum_ = kept_of(archive), sum_of(path)
    if kept.get(place, sum_) != sum_:
        raise FileError(f"{archive / place}: a different file of that name is kept already; rename this one")
    if place in kept and not damage(archive / place, sum_):
        return place, False, ()
    (archive / place).parent.mkdir(parents=True, exist_ok=True)
    with whole_file(archive / place) as part:
        part.write_bytes(content(path, WANTED, MOST_BYTES))
    with whole_file(archive / LIST) as part:
        part.write_bytes(seal({**kept, place: sum_}))
    return (place, False, (place,)) if place in kept else (place, True, ())


def kept_of(archive: Path) -> dict[str, Any]:
    """Place in the archive → length and SHA-256 of kept plans and bench records; FileError if the list is damaged."""
    if not (archive / LIST).exists():
        return {}
    kept: dict[str, Any] = unseal(archive / LIST)
    typed(kept, dict[str, Sum], str(archive / LIST))
    return kept
