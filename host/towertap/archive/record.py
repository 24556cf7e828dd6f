"""What an archive knows of its recordings, and what it keeps beside them: JSON with its own SHA-256 in it."""

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
"""What a recording's folder holds beside its record; the sidecar only when the recording came with one."""

LARGEST_BYTES = 2**26
BLOCK_BYTES = 2**20

LIST = "kept.json"
KEPT_FOLDERS = {"towertap-plan": "plans", "towertap bench record": "bench"}
"""What a file's `schema` says → the folder that it is kept in."""
MOST_BYTES = 2**24
WANTED = "a plan or a bench record (.json)"
SEALED = "the one that 'towertap archive add' wrote there, from a copy of the archive"

Record = dict[str, Any]
"""What RecordShape says, and `added_utc`, `added_by`, `board`, `serial`, `chip`, `odr_hz`."""


class Sum(msgspec.Struct):
    """A file's length and SHA-256 in hex."""

    bytes: Annotated[int, Meta(ge=0)]
    sha256: str


class Correction(msgspec.Struct):
    """What a recording's record said until it was corrected."""

    conditions: dict[str, Any]
    until_utc: str
    struck_out: StruckOut | None = None


class RecordShape(msgspec.Struct):
    """What a record must have; more keys may follow."""

    format: int
    name: Annotated[str, Meta(pattern="^[A-Za-z0-9][A-Za-z0-9_-]*$")]
    """Of its folder."""
    raw: Sum
    """Of the bytes that came from the box; `name` is the raw recording's."""
    files: dict[str, Sum]
    """Stored name → what is stored."""
    conditions: dict[str, Any]
    started_utc: str
    schema_version: str
    host: str
    firmware: str
    samples: int
    seconds: float
    utc_offset_s: Annotated[int, Meta(ge=-86000, le=86000)] | None = None
    """What local time was ahead of UTC where it was recorded."""
    struck_out: StruckOut | None = None
    """Kept, and left out of everything."""
    history: list[Correction] = []
    """Oldest first."""
    from_box: bool = True
    """Otherwise the raw recording is a file of another recorder."""


def seal(content: Any) -> bytes:
    """JSON text of `content` and of its SHA-256; the same content gives the same text.

    It is `json.dumps(…, indent=1, sort_keys=True)`, whose indenting alone would take six times as long.
    """
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    digest = hashlib.sha256(msgspec.json.format(text, indent=1).encode()).hexdigest()
    return msgspec.json.format(f'{{"content":{text},"sha256":"{digest}"}}', indent=1).encode() + b"\n"


def unseal(path: Path) -> Any:
    """The content of a sealed file; FileError when it is not, to the byte, what was sealed."""
    if path.is_symlink():
        raise FileError(f"{path}: a link to elsewhere")
    text = content(path, SEALED, LARGEST_BYTES)
    with suppress(FileError):
        sealed = from_json(text, dict[str, Any], "").get("content")
        if seal(sealed) == text:
            return sealed
    raise FileError(f"{path}: damaged; bring it back from a copy")


def read_record(folder: Path) -> Record:
    """The record of a recording's folder; FileError names the file when it is missing, damaged or newer."""
    path = folder / NAME
    return held_to_shape(unseal(path), path)


def held_to_shape(record: Any, path: Path) -> Record:
    """The record from `path`, if it is one; else FileError."""
    if isinstance(record, dict) and isinstance(record.get("format"), int) and record["format"] > FORMAT:
        raise FileError(f"{path}: written by a newer towertap; install that")
    shape: RecordShape = typed(record, RecordShape, f"{path}: not the record of a recording")
    if not {RAW, CAPTURE} <= set(shape.files) <= set(FILES):
        raise FileError(f"{path}: not the record of a recording: names files that none has")
    return dict(record)


def is_archived(path: Path) -> bool:
    """Whether a file lies in the folder of an archived recording, which nothing may be added to."""
    return (path.parent / NAME).is_file() and path.name in FILES


def sum_of(path: Path) -> dict[str, Any]:
    """Length and SHA-256 of a file, as records have them."""
    return {"bytes": path.stat().st_size, "sha256": sha256_of(path)}


def blocks_of(path: Path, stored: Mapping[str, Any], *, packed: bool = False) -> Iterator[bytes]:
    """A stored file block by block, unpacked if it is `packed`; FileError unless it has the length and SHA-256 stored.

    A link is not followed, and no more is read than a byte beyond the length.
    """
    if path.is_symlink() or not path.is_file():
        raise FileError(f"{path}: missing, or no plain file")
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
    """What is wrong with a stored file, which is read to its end; empty when it is as it was added."""
    try:
        for _ in blocks_of(path, stored, packed=packed):
            pass
    except FileError as error:
        return str(error).removeprefix(f"{path}: ")
    return ""


def damages(folder: Path, record: Record) -> dict[str, str]:
    """What is wrong with the files of a recording, by their names."""
    wrong = {file: what for file, stored in record["files"].items() if (what := damage(folder / file, stored))}
    if RAW not in wrong and damage(folder / RAW, record["raw"], packed=True):
        wrong[RAW] = "does not unpack to the bytes that the box sent"
    return wrong


def kept_in(path: Path) -> str:
    """The folder of an archive that a plan or a bench record is kept in; FileError for any other file."""
    kind = read_json(path, dict[str, Any], WANTED, MOST_BYTES).get("schema")
    if kind not in KEPT_FOLDERS:
        raise FileError(f"{path}: no plan and no bench record; give {WANTED}")
    return KEPT_FOLDERS[kind]


def is_kept_kind(path: Path) -> bool:
    """Whether a file is a plan or a bench record."""
    with suppress(FileError):
        return bool(kept_in(path))
    return False


def keep(archive: Path, path: Path) -> tuple[str, bool, tuple[str, ...]]:
    """Keep a copy, or put it back where it is missing or damaged; for one caller at a time.

    (Its place in the archive, whether it is new, that place if it was put back.) FileError when another of that name
    is there.
    """
    place = f"{kept_in(path)}/{path.name}"
    kept, sum_ = kept_of(archive), sum_of(path)
    if kept.get(place, sum_) != sum_:
        raise FileError(f"{archive / place}: another one of that name is kept already; give this one another name")
    if place in kept and not damage(archive / place, sum_):
        return place, False, ()
    (archive / place).parent.mkdir(parents=True, exist_ok=True)
    with whole_file(archive / place) as part:
        part.write_bytes(content(path, WANTED, MOST_BYTES))
    with whole_file(archive / LIST) as part:
        part.write_bytes(seal({**kept, place: sum_}))
    return (place, False, (place,)) if place in kept else (place, True, ())


def kept_of(archive: Path) -> dict[str, Any]:
    """Place in the archive → length and SHA-256 of all that is kept; FileError when the list is damaged."""
    if not (archive / LIST).exists():
        return {}
    kept: dict[str, Any] = unseal(archive / LIST)
    typed(kept, dict[str, Sum], str(archive / LIST))
    return kept
