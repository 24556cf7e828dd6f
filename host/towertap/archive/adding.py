"""Adds recordings to an archive, completely or not at all; text from the user never becomes a path."""

import gzip
import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from towertap.archive import record as records
from towertap.archive.record import (
    BLOCK_BYTES,
    CAPTURE,
    RAW,
    SIDECAR,
    Record,
    damage,
    damages,
    is_kept_kind,
    keep,
    read_record,
    seal,
    sum_of,
)
from towertap.archive.store import INDEX, LOCK, listing, write_index
from towertap.box.naming import recording_name
from towertap.capture.conditions import Conditions, read_sidecar, sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.reading import Capture, open_capture
from towertap.doors.files import opened, sha256_of, size_of
from towertap.doors.times import instant, now_utc
from towertap.doors.whole_file import LEFT_OVER_S, no_room_named, whole_file
from towertap.errors import CallError, FileError
from towertap.version import WRITTEN_BY

ADDING = ".adding-"
LONGEST_WAIT_S = 10.0
"""How long to wait for another add to end."""
WANTED = "a capture (.h5), a raw recording (.ttraw), a plan or a bench record (.json)"
ADDED, THERE, CORRECTED, KEPT = "added", "there already", "corrected", "kept"
VERIFY = "'towertap archive verify' shows more"
CORRECTABLE = ("conditions", "struck_out")
"""Keys of a record that a correction changes."""
STALE = "there already; its .conditions.json differs from its capture, which counts until it is decoded again"


@dataclass(frozen=True)
class Added:
    """Result of adding a recording, a plan or a bench record."""

    recording: Path
    name: str
    """Name of its folder, or its place in the archive."""
    how: str
    put_back: tuple[str, ...] = ()
    """Stored files that were missing or damaged and are restored."""


def add_all(archive: Path, paths: Iterable[Path]) -> Iterator[Added]:
    """Add recordings, given by their raw stream or capture, and plans and bench records.

    A recording is identified by the SHA-256 of its raw stream, so it is stored only once. Its stored files are checked,
    and restored if missing or damaged. Different conditions, or a change in striking out, are a correction: the record
    takes them, and its history keeps the old ones. The raw stream must be next to its capture; one without a capture is
    decoded. A recording given twice with different conditions is refused: no one can say which are the correction. A
    recording appears completely or not at all. Only one add runs at a time; another waits LONGEST_WAIT_S.
    TowertapError if something does not fit; everything added before stays.
    """
    try:
        archive.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise CallError(f"{archive}: a file or inside one; give the archive's folder first") from None
    with _locked(archive):
        yield from _add_each(archive, paths)


@contextmanager
def _locked(archive: Path) -> Iterator[None]:
    """Keep other adds out of an archive, with SQLite's lock: it works on every system, and ends with its process."""
    path = archive / LOCK
    if path.is_symlink() or (path.exists() and not path.is_file()):
        raise FileError(f"{path}: not a regular file; move it away")
    path.touch()
    with closing(sqlite3.connect(path, LONGEST_WAIT_S, isolation_level=None)) as lock:
        try:
            lock.execute("PRAGMA journal_mode = OFF")  # avoids a second file
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            raise FileError(f"{path}: {error}; add again when no other add is in progress") from None
        yield


def _add_each(archive: Path, paths: Iterable[Path]) -> Iterator[Added]:
    remove_left_overs(archive, ADDING)
    known = {record["raw"]["sha256"]: record for record in listing(archive).records}
    given: dict[str, Path] = {}
    is_changed = False
    try:
        for path in paths:
            if path.suffix == ".json":
                place, is_new, put_back = keep(archive, path)
                yield Added(path, place, KEPT if is_new else THERE, put_back)
                continue
            raw, capture = _pair(path)
            digest = sha256_of(raw)
            earlier = given.setdefault(digest, path)
            is_labelled = earlier != path and known[digest]["conditions"] != Conditions().to_dict()
            if is_labelled and not _unchanged(raw, capture, known[digest]):
                raise FileError(
                    f"{path}: the same recording as {earlier}, but with different conditions: move the wrong one away, "
                    "or correct it with 'towertap correct', and add again"
                )
            if digest in known:
                how, record, put_back = _add_again(archive / known[digest]["name"], raw, capture, digest)
            else:
                how, record, put_back = ADDED, _add(archive, raw, capture, digest), ()
            is_changed |= record != known.get(digest)
            known[digest] = record
            yield Added(path, record["name"], how, put_back)
    finally:
        if is_changed:
            write_index(archive, list(known.values()))


def recordings_of(path: Path) -> list[Path]:
    """What can be added from a folder (not its subfolders): each recording once, plans and bench records, sorted.

    A file is returned as it is. CallError for a folder without any.
    """
    if not path.is_dir():
        return [path]
    recordings = {file.stem: file for suffix in (".h5", ".ttraw") for file in path.glob(f"*{suffix}")}
    others = [file for file in sorted(path.glob("*.json")) if is_kept_kind(file)]
    if not recordings and not others:
        raise CallError(f"{path}: a folder without {WANTED}")
    return [*(recordings[name] for name in sorted(recordings)), *others]


def _pair(path: Path) -> tuple[Path, Path | None]:
    """Raw stream and capture (None if there is none) of a recording, given one of them."""
    size_of(path, WANTED)
    if path.suffix != ".h5":
        capture = path.with_suffix(".h5")
        return path, capture if capture.is_file() else None
    for raw in (path.with_suffix(".ttraw"), *_imported_from(path)):
        if raw.is_file():
            return raw, path
    raise CallError(f"{path}: its raw recording {raw.name} is not next to it, and an archive keeps what the box sent")


def _imported_from(path: Path) -> list[Path]:
    """Possible paths of the file that a capture was imported from: next to it, with its own or the capture's name."""
    with open_capture(path) as capture:
        name = Path(capture.text("raw_name")).name
        return [path.with_name(name), path.with_suffix(Path(name).suffix)] if capture.is_imported and name else []


def _add(archive: Path, raw: Path, capture: Path | None, digest: str) -> Record:
    """Add a new recording."""
    with _work_folder(archive) as work:
        _pack(raw, work / RAW, digest)
        record = _make(work, raw, capture, digest)
        return _place(archive, work, record)


def _add_again(folder: Path, raw: Path, capture: Path | None, digest: str) -> tuple[str, Record, tuple[str, ...]]:
    """Take the conditions of a recording already archived, and restore its missing or damaged files.

    FileError if `raw` and its companion files do not include one that must be restored.
    """
    known = read_record(folder)
    if (known["raw"]["sha256"], known["name"]) != (digest, folder.name):
        raise FileError(f"{folder}: not the recording listed in {INDEX}; {VERIFY}")
    how, wrong = _unchanged(raw, capture, known), damages(folder, known)
    if how and not wrong:
        return how, known, ()
    with _work_folder(folder.parent) as work:
        if RAW in wrong:
            _pack(raw, work / RAW, digest)
        record = _make(work, raw, capture, digest)
        if how:  # restore damaged files only, and not with a capture that knows less about the drive
            is_same = all(record[key] == known.get(key) for key in (*CORRECTABLE, "started_utc"))
            for file in work.iterdir():
                if file.name not in wrong or (file.name == CAPTURE and not is_same):
                    file.unlink()
        for name, what in wrong.items():
            if not (work / name).exists():
                raise FileError(f"{folder / name}: {what}, and {raw} cannot replace it; {VERIFY}")
        record = _replace(folder, work, known, record if (work / CAPTURE).exists() else known)
    return how or CORRECTED, record, tuple(wrong)


@contextmanager
def _work_folder(archive: Path) -> Iterator[Path]:
    """A temporary folder on the archive's disk in which to prepare a recording."""
    with no_room_named(archive), tempfile.TemporaryDirectory(prefix=ADDING, dir=archive) as parent:
        work = Path(parent) / "recording"
        work.mkdir()
        yield work


def _make(work: Path, raw: Path, capture: Path | None, digest: str) -> Record:
    """Put a recording's capture and sidecar into the folder `work`; returns its record, still without `files`."""
    if capture is None:
        decode_raw(raw, work / CAPTURE)
    else:
        shutil.copyfile(capture, work / CAPTURE)
    with open_capture(work / CAPTURE) as opened_capture:
        if opened_capture.text("raw_sha256") != digest:
            raise FileError(f"{raw}: its capture was made from other bytes; decode it again, then add it")
        _write_sidecar(raw, work / SIDECAR, opened_capture.conditions)
        return _describe(opened_capture, raw, digest)


def _unchanged(raw: Path, capture: Path | None, known: Record) -> str:
    """How an archived recording is reported if there is nothing to correct; empty if there is."""
    stored, history = _correctable(known), [_correctable(entry) for entry in known.get("history", [])]
    in_sidecar = stored
    if sidecar_path(raw).exists():
        sidecar = read_sidecar(raw)
        in_sidecar = _correctable(sidecar | {"conditions": sidecar["conditions"].to_dict()})
    if capture is None:
        return THERE if in_sidecar == stored else ""
    with open_capture(capture) as opened_capture:
        if _correctable(opened_capture.host | {"conditions": opened_capture.conditions.to_dict()}) != stored:
            return ""
    return THERE if in_sidecar in (stored, *history) else STALE


def _correctable(source: Mapping[str, Any]) -> dict[str, Any]:
    return {key: source.get(key) for key in CORRECTABLE}


def _pack(raw: Path, packed: Path, digest: str) -> None:
    """Compress a file reproducibly, and check that it decompresses to the same bytes."""
    size = 0
    with (
        opened(raw, "a raw recording (.ttraw)") as source,
        packed.open("wb") as target,
        gzip.GzipFile("", "wb", compresslevel=6, fileobj=target, mtime=0) as file,
    ):
        while block := source.read(BLOCK_BYTES):
            size += len(block)
            file.write(block)
    if damage(packed, {"bytes": size, "sha256": digest}, packed=True):
        raise FileError(f"{raw}: changed while it was being added; add it again when its recording has ended")


def _write_sidecar(raw: Path, stored: Path, conditions: Conditions) -> None:
    """Copy the sidecar, if there is one, with the capture's conditions."""
    if not sidecar_path(raw).exists():
        return
    sidecar = read_sidecar(raw)
    if sidecar["conditions"] == conditions:
        shutil.copyfile(sidecar_path(raw), stored)
    else:
        stored.write_text(json.dumps({**sidecar, "conditions": conditions.to_dict()}, indent=1) + "\n", "utf-8")


def _place(archive: Path, work: Path, record: Record) -> Record:
    """Move a new recording to its name in the archive."""
    record["files"] = {file.name: sum_of(file) for file in sorted(work.iterdir())}
    (work / records.NAME).write_bytes(seal(record))
    for file in work.iterdir():
        _sync(file)
    folder = archive / record["name"]
    try:
        work.rename(folder)
    except OSError:
        raise FileError(f"{folder}: already exists, but is incomplete; {VERIFY}") from None
    _sync(archive)
    return record


def _replace(folder: Path, work: Path, known: Record, record: Record) -> Record:
    """Replace stored files by those in `work`, the record last; other files keep their SHA-256.

    If it is killed halfway, sums do not match; adding again fixes that.
    """
    files = known["files"] | {file.name: sum_of(file) for file in sorted(work.iterdir())}
    for file in sorted(work.iterdir()):
        with whole_file(folder / file.name) as part:
            shutil.copyfile(file, part)
    unchanged = ("name", "added_utc", "added_by", "raw", "history")
    record = record | {key: known[key] for key in unchanged if key in known} | {"files": files}
    if (before := _correctable(known)) != _correctable(record):
        record["history"] = [*known.get("history", []), before | {"until_utc": now_utc()}]
    with whole_file(folder / records.NAME) as part:
        part.write_bytes(seal(record))
    return record


def _describe(capture: Capture, raw: Path, digest: str) -> Record:
    drive, started_utc = capture.conditions, capture.text("started_utc")
    name = recording_name(drive, instant(started_utc))
    return {
        "format": records.FORMAT,
        "name": f"{name}_{digest[:12]}",
        "added_utc": now_utc(),
        "added_by": WRITTEN_BY,
        "raw": {"name": raw.name, "bytes": raw.stat().st_size, "sha256": digest},
        "schema_version": capture.text("schema_version"),
        "host": capture.text("written_by"),
        **{key: str(capture.hello.get(key, "")) for key in ("firmware", "board", "serial", "chip")},
        "odr_hz": capture.odr_hz,
        "samples": capture.n_samples,
        "seconds": capture.n_samples / capture.rate_hz,
        "started_utc": started_utc,
        "utc_offset_s": capture.utc_offset_s,
        "conditions": drive.to_dict(),
        "struck_out": capture.host.get("struck_out"),
        "from_box": not capture.is_imported,
    }


def remove_left_overs(folder: Path, prefix: str) -> None:
    """Remove the work folders of killed processes: those in which nothing was written for LEFT_OVER_S."""
    for work in folder.glob(f"{prefix}*"):
        with suppress(OSError):
            newest = max(file.stat().st_mtime for file in (work, *work.rglob("*")))
            if newest < time.time() - LEFT_OVER_S:
                shutil.rmtree(work)


def _sync(path: Path) -> None:
    if os.name == "nt" and path.is_dir():
        return  # Windows cannot sync a folder, or a file that is open only for reading
    descriptor = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
