"""Puts recordings into an archive and finds them again; what a person wrote never becomes a path."""

from __future__ import annotations

import gzip
import hashlib
import os
import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path

import towertap
from towertap.archive import record as records
from towertap.archive.record import (
    BLOCK_BYTES,
    CAPTURE,
    RAW,
    SIDECAR,
    Record,
    held_to_shape,
    read_record,
    seal,
    sha256_of,
    unseal,
)
from towertap.box.naming import recording_name, slug
from towertap.capture.conditions import sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.reading import Capture, open_capture
from towertap.doors.files import size_of
from towertap.doors.structured import typed
from towertap.doors.times import instant
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError, FileError

INDEX = "index.json"
"""All records in one file: for speed, made anew from the records whenever it is not there or does not fit; and the only
trace of a recording whose folder is gone, which stays in it."""
WITHOUT_INDEX = f"{INDEX} was missing or damaged, and is made anew: a recording lost before that is not known here"
GONE = f"{INDEX} holds it, and its folder is gone: bring it back from a copy"
ADDING = ".adding-"


@dataclass(frozen=True)
class Listing:
    """The recordings of an archive, and one line for each folder whose record cannot be read."""

    records: list[Record]
    unreadable: list[str]
    gone: list[Record] = field(default_factory=list)
    """What the index holds and whose folder is gone."""
    is_without_index: bool = False
    """Recordings are here and the index was missing or damaged: what was lost before that is not known."""


def add(archive: Path, path: Path) -> tuple[Record, bool]:
    """Add a recording, named by its raw stream or its capture; (record, whether it is new), known by its raw SHA-256.

    The raw stream must lie beside a capture; a raw stream without capture is decoded. The recording appears in the
    archive whole or not at all. TowertapError in one line when something does not fit.
    """
    raw, capture = _pair(path)
    digest = sha256_of(raw)
    archive.mkdir(parents=True, exist_ok=True)
    for held in listing(archive).records:
        if held["raw"]["sha256"] == digest:
            return held, False
    with tempfile.TemporaryDirectory(prefix=ADDING, dir=archive) as place:
        made = Path(place) / "recording"
        made.mkdir()
        if pack(raw, made / RAW) != digest or unpacked_sha256(made / RAW) != digest:
            raise FileError(f"{raw}: changed while it was added; add it again when it is no longer recorded")
        if sidecar_path(raw).exists():
            shutil.copyfile(sidecar_path(raw), made / SIDECAR)
        if capture is None:
            decode_raw(raw, made / CAPTURE)
        else:
            shutil.copyfile(capture, made / CAPTURE)
        record = _describe(made, raw, digest)
        (made / records.NAME).write_text(seal(record), "utf-8")
        for file in made.iterdir():
            _sync(file)
        if (archive / record["name"]).exists():
            raise FileError(f"{archive / record['name']}: there already, but not whole; run 'towertap archive verify'")
        made.rename(archive / record["name"])
        _sync(archive)
    _index_anew(archive)
    return record, True


def recordings_of(path: Path) -> list[Path]:
    """The recordings lying in a folder, by name, each once, not those of folders within; a file stands for itself.

    CallError for a folder without any.
    """
    if not path.is_dir():
        return [path]
    found = {file.stem: file for suffix in (".h5", ".ttraw") for file in path.glob(f"*{suffix}")}
    if not found:
        raise CallError(f"{path}: a folder without a capture (.h5) or raw recording (.ttraw)")
    return [found[name] for name in sorted(found)]


def listing(archive: Path) -> Listing:
    """All recordings by name: from the index when it knows every folder that is there, else from their records."""
    found, index = set(names(archive)), index_of(archive)
    if index is None or not found <= {record["name"] for record in index}:
        return _index_anew(archive)
    here, gone = ([record for record in index if (record["name"] in found) is so] for so in (True, False))
    return Listing(here, [], gone)


def _index_anew(archive: Path) -> Listing:
    """All recordings by name from their records; the index made of them, and of what it held that cannot be read."""
    result, index = from_records(archive), index_of(archive)
    damaged = index is None and (archive / INDEX).exists()  # it may be the only trace of something: 'verify' tells
    if result.records and not damaged:  # without records it may be any folder
        read = {record["name"] for record in result.records}
        unread = [record for record in index or [] if record["name"] not in read]
        with suppress(OSError), whole_file(archive / INDEX) as part:  # its disk may be one that cannot be written
            part.write_text(seal(in_order(result.records, unread)), "utf-8")
    return result


def index_of(archive: Path) -> list[Record] | None:
    """The records that the index holds; None when it is missing or damaged."""
    with suppress(FileError):
        return [held_to_shape(record, archive / INDEX) for record in typed(unseal(archive / INDEX), list, INDEX)]
    return None


def from_records(archive: Path) -> Listing:
    """All recordings by name, from their own records; from the index only those that are gone."""
    found, index = names(archive), index_of(archive)
    result = Listing([], [])
    for name in found:
        try:
            result.records.append(read_record(archive / name))
        except FileError as error:
            result.unreadable.append(str(error))
    here = {*found, *(record["name"] for record in result.records)}
    gone = [record for record in index or [] if record["name"] not in here]
    return replace(result, gone=gone, is_without_index=bool(result.records) and index is None)


def in_order(*some: list[Record]) -> list[Record]:
    """Records of several lists, by name."""
    return sorted((record for records in some for record in records), key=lambda record: record["name"])


def refuse_any_folder(archive: Path) -> None:
    """CallError for a folder that holds neither recordings nor the index of some."""
    if not names(archive) and not (archive / INDEX).exists():
        raise CallError(f"{archive}: no archive here; name the folder that 'towertap archive add' made")


def names(archive: Path) -> list[str]:
    """Names of the folders of an archive, sorted; links and hidden ones are none."""
    if not archive.is_dir():
        raise CallError(f"{archive}: no such archive; 'towertap archive add' makes one")
    with os.scandir(archive) as entries:
        return sorted(
            entry.name for entry in entries if entry.is_dir(follow_symlinks=False) and not entry.name.startswith(".")
        )


def find(archive: Path, name: str) -> Record:
    """The recording of that name, or whose name or raw SHA-256 begins like that; CallError unless it is one alone."""
    held = listing(archive).records
    exact = [record for record in held if record["name"] == name]
    found = exact or [
        record for record in held if record["name"].startswith(name) or record["raw"]["sha256"].startswith(name.lower())
    ]
    if len(found) != 1:
        what = "more than one recording is" if found else "no recording is"
        raise CallError(f"{archive}: {what} called {name!r}; 'towertap archive list' tells the names")
    return found[0]


def select(
    held: list[Record], since: date | None = None, until: date | None = None, **conditions: str | None
) -> list[Record]:
    """Those whose conditions are the ones given, but for upper and lower case, and that began on a day in between."""
    wanted = {key: value.casefold() for key, value in conditions.items() if value is not None}
    found = []
    for record in held:
        if any(str(record["conditions"].get(key, "")).casefold() != value for key, value in wanted.items()):
            continue
        began = instant(record["started_utc"])
        if (since or until) and not (
            began and (since or date.min) <= began.astimezone(UTC).date() <= (until or date.max)
        ):
            continue
        found.append(record)
    return found


def pack(raw: Path, packed: Path) -> str:
    """Compress a file, the same bytes always to the same bytes; SHA-256 of what was read."""
    digest = hashlib.sha256()
    with raw.open("rb") as source, packed.open("wb") as target:
        file = gzip.GzipFile("", "wb", compresslevel=6, fileobj=target, mtime=0)
        while block := source.read(BLOCK_BYTES):
            digest.update(block)
            file.write(block)
        file.close()
    return digest.hexdigest()


def unpacked_sha256(packed: Path) -> str:
    """SHA-256 of what a packed file holds; OSError, EOFError or zlib.error when it is damaged."""
    digest = hashlib.sha256()
    with gzip.open(packed) as file:
        while block := file.read(BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def _pair(path: Path) -> tuple[Path, Path | None]:
    """Raw stream and capture (None: there is none) of a recording, given one of them."""
    size_of(path, "a capture (.h5) or a raw recording (.ttraw)")
    if path.suffix != ".h5":
        capture = path.with_suffix(".h5")
        return path, capture if capture.is_file() else None
    raw = path.with_suffix(".ttraw")
    if not raw.is_file():
        raise CallError(
            f"{path}: its raw recording {raw.name} is not beside it, and an archive keeps what the box sent"
        )
    return raw, path


def _describe(made: Path, raw: Path, digest: str) -> Record:
    with open_capture(made / CAPTURE) as capture:
        if capture.text("raw_sha256") != digest:
            raise FileError(f"{raw}: its capture was made from other bytes; decode it again, then add it")
        return {
            "format": records.FORMAT,
            "name": _name(capture, digest),
            "added_utc": datetime.now(UTC).isoformat(timespec="seconds"),
            "added_by": f"towertap {towertap.__version__}",
            "raw": {"name": raw.name, "bytes": raw.stat().st_size, "sha256": digest},
            "files": {
                file.name: {"bytes": file.stat().st_size, "sha256": sha256_of(file)} for file in sorted(made.iterdir())
            },
            "schema_version": capture.text("schema_version"),
            "host": capture.text("written_by"),
            **{key: str(capture.hello.get(key, "")) for key in ("firmware", "board", "serial", "chip")},
            "odr_hz": capture.odr_hz,
            "samples": capture.n_samples,
            "seconds": capture.n_samples / capture.rate_hz,
            "started_utc": capture.text("started_utc"),
            "conditions": capture.conditions.to_dict(),
        }


def _name(capture: Capture, digest: str) -> str:
    """A folder's name: road, part, pass, start and raw SHA-256, made of a-z, 0-9 and hyphens by `slug`."""
    conditions, began = capture.conditions, instant(capture.text("started_utc"))
    number = conditions.pass_number or 0
    if began:
        return f"{recording_name(conditions.road, conditions.part, number, began.astimezone(UTC))}_{digest[:12]}"
    return f"{slug(conditions.road)}_{slug(conditions.part)}_pass{number:02d}_undated_{digest[:12]}"


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
