"""Puts recordings into an archive, whole or not at all; what a person wrote never becomes a path."""

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
"""For another add to end."""
WANTED = "a capture (.h5), a raw recording (.ttraw), a plan or a bench record (.json)"
ADDED, THERE, CORRECTED, KEPT = "added", "there already", "corrected", "kept"
VERIFY = "'towertap archive verify' tells more"
CORRECTABLE = ("conditions", "struck_out")
"""What a correction changes of a record."""
STALE = "there already; its .conditions.json says something else than its capture, which counts until it is made anew"


@dataclass(frozen=True)
class Added:
    """What became of a recording, or of a plan or bench record, that was to be added."""

    recording: Path
    name: str
    """Of its folder, or its place in the archive."""
    how: str
    put_back: tuple[str, ...] = ()
    """Stored files that were missing or damaged, and are there again."""


def add_all(archive: Path, paths: Iterable[Path]) -> Iterator[Added]:
    """Add recordings, each named by its raw stream or its capture, and plans and bench records, by their files.

    A recording is known by the SHA-256 of its raw stream: it is there once. What is stored of it is proved, and put
    back where it is missing or damaged. Conditions or a striking out that differ from what is kept are a correction:
    taken over, and the history in the record has both as they were before. The raw stream must lie beside a capture; a
    raw stream without capture is decoded. A recording appears whole or not at all. One add at a time: another waits a
    while, then says so. TowertapError in one line when something does not fit; what was added before stays.
    """
    try:
        archive.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise CallError(f"{archive}: a file, or within one; name the folder of the archive first") from None
    with _locked(archive):
        yield from _add_each(archive, paths)


@contextmanager
def _locked(archive: Path) -> Iterator[None]:
    """Let no other add into an archive. The lock is SQLite's: it holds on every system, and ends with its process."""
    place = archive / LOCK
    if place.is_symlink() or (place.exists() and not place.is_file()):
        raise FileError(f"{place}: no plain file; move it away")
    place.touch()
    with closing(sqlite3.connect(place, LONGEST_WAIT_S, isolation_level=None)) as lock:
        try:
            lock.execute("PRAGMA journal_mode = OFF")  # else a second file lies there for as long
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            raise FileError(f"{place}: {error}; add again when no other add is under way") from None
        yield


def _add_each(archive: Path, paths: Iterable[Path]) -> Iterator[Added]:
    remove_left_overs(archive, ADDING)
    known = {record["raw"]["sha256"]: record for record in listing(archive).records}
    is_changed = False
    try:
        for path in paths:
            if path.suffix == ".json":
                place, is_new, put_back = keep(archive, path)
                yield Added(path, place, KEPT if is_new else THERE, put_back)
                continue
            raw, capture = _pair(path)
            digest = sha256_of(raw)
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
    """What lies in a folder to be added, by name, each recording once; a file stands for itself.

    Not what lies in folders within. CallError for a folder without any.
    """
    if not path.is_dir():
        return [path]
    recordings = {file.stem: file for suffix in (".h5", ".ttraw") for file in path.glob(f"*{suffix}")}
    others = [file for file in sorted(path.glob("*.json")) if is_kept_kind(file)]
    if not recordings and not others:
        raise CallError(
            f"{path}: a folder without a capture (.h5), raw recording (.ttraw), plan or bench record (.json)"
        )
    return [*(recordings[name] for name in sorted(recordings)), *others]


def _pair(path: Path) -> tuple[Path, Path | None]:
    """Raw stream and capture (None: there is none) of a recording, given one of them."""
    size_of(path, WANTED)
    if path.suffix != ".h5":
        capture = path.with_suffix(".h5")
        return path, capture if capture.is_file() else None
    for raw in (path.with_suffix(".ttraw"), *_imported_from(path)):
        if raw.is_file():
            return raw, path
    raise CallError(f"{path}: its raw recording {raw.name} is not beside it, and an archive keeps what the box sent")


def _imported_from(path: Path) -> list[Path]:
    """Where the file that a capture was imported from may lie: beside it, by its own name or by the capture's."""
    with open_capture(path) as capture:
        name = Path(capture.text("raw_name")).name
        return [path.with_name(name), path.with_suffix(Path(name).suffix)] if capture.is_imported and name else []


def _add(archive: Path, raw: Path, capture: Path | None, digest: str) -> Record:
    """Add a recording that is not there yet."""
    with _workplace(archive) as made:
        _pack(raw, made / RAW, digest)
        record = _make(made, raw, capture, digest)
        return _place(archive, made, record)


def _add_again(folder: Path, raw: Path, capture: Path | None, digest: str) -> tuple[str, Record, tuple[str, ...]]:
    """Take over the conditions of a recording that is there, and put back what is missing or damaged of it.

    FileError when that is nothing that `raw` and what lies beside it can give.
    """
    known = read_record(folder)
    if (known["raw"]["sha256"], known["name"]) != (digest, folder.name):
        raise FileError(f"{folder}: not the recording that {INDEX} holds; {VERIFY}")
    how, wrong = _unchanged(raw, capture, known), damages(folder, known)
    if how and not wrong:
        return how, known, ()
    with _workplace(folder.parent) as made:
        if RAW in wrong:
            _pack(raw, made / RAW, digest)
        record = _make(made, raw, capture, digest)
        if how:  # then nothing takes the place of what is whole, nor a capture that knows less of the drive
            is_same = all(record[key] == known.get(key) for key in (*CORRECTABLE, "started_utc"))
            for file in made.iterdir():
                if file.name not in wrong or (file.name == CAPTURE and not is_same):
                    file.unlink()
        for name, what in wrong.items():
            if not (made / name).exists():
                raise FileError(f"{folder / name}: {what}, and {raw} brings no other; {VERIFY}")
        record = _replace(folder, made, known, record if (made / CAPTURE).exists() else known)
    return how or CORRECTED, record, tuple(wrong)


@contextmanager
def _workplace(archive: Path) -> Iterator[Path]:
    """A folder to make a recording in, on the archive's disk."""
    with no_room_named(archive), tempfile.TemporaryDirectory(prefix=ADDING, dir=archive) as place:
        made = Path(place) / "recording"
        made.mkdir()
        yield made


def _make(made: Path, raw: Path, capture: Path | None, digest: str) -> Record:
    """Capture and sidecar of a recording in the folder `made`, and what is to say of it."""
    if capture is None:
        decode_raw(raw, made / CAPTURE)
    else:
        shutil.copyfile(capture, made / CAPTURE)
    with open_capture(made / CAPTURE) as opened_capture:
        if opened_capture.text("raw_sha256") != digest:
            raise FileError(f"{raw}: its capture was made from other bytes; decode it again, then add it")
        _write_sidecar(raw, made / SIDECAR, opened_capture.conditions)
        return _describe(opened_capture, raw, digest)


def _unchanged(raw: Path, capture: Path | None, known: Record) -> str:
    """How a recording that is there stands when there is nothing to correct; empty when there is."""
    stored, history = _correctable(known), [_correctable(entry) for entry in known.get("history", [])]
    beside = stored
    if sidecar_path(raw).exists():
        sidecar = read_sidecar(raw)
        beside = _correctable(sidecar | {"conditions": sidecar["conditions"].to_dict()})
    if capture is None:
        return THERE if beside == stored else ""
    with open_capture(capture) as opened_capture:
        if _correctable(opened_capture.host | {"conditions": opened_capture.conditions.to_dict()}) != stored:
            return ""
    return THERE if beside in (stored, *history) else STALE


def _correctable(source: Mapping[str, Any]) -> dict[str, Any]:
    return {key: source.get(key) for key in CORRECTABLE}


def _pack(raw: Path, packed: Path, digest: str) -> None:
    """Compress a file, the same bytes always to the same bytes, and see that they come out again."""
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
        raise FileError(f"{raw}: changed while it was added; add it again when it is no longer recorded")


def _write_sidecar(raw: Path, stored: Path, conditions: Conditions) -> None:
    """Copy the sidecar, if there is one, with the conditions that the capture has."""
    if not sidecar_path(raw).exists():
        return
    sidecar = read_sidecar(raw)
    if sidecar["conditions"] == conditions:
        shutil.copyfile(sidecar_path(raw), stored)
    else:
        stored.write_text(json.dumps({**sidecar, "conditions": conditions.to_dict()}, indent=1) + "\n", "utf-8")


def _place(archive: Path, made: Path, record: Record) -> Record:
    """Give a new recording its name in the archive."""
    record["files"] = {file.name: sum_of(file) for file in sorted(made.iterdir())}
    (made / records.NAME).write_bytes(seal(record))
    for file in made.iterdir():
        _sync(file)
    folder = archive / record["name"]
    try:
        made.rename(folder)
    except OSError:
        raise FileError(f"{folder}: there already, and not whole; {VERIFY}") from None
    _sync(archive)
    return record


def _replace(folder: Path, made: Path, known: Record, record: Record) -> Record:
    """Put what was made in the place of what is kept, the record last; what is not made anew keeps its sum.

    Killed in between, it leaves sums that do not fit; adding once more mends that.
    """
    files = known["files"] | {file.name: sum_of(file) for file in sorted(made.iterdir())}
    for file in sorted(made.iterdir()):
        with whole_file(folder / file.name) as part:
            shutil.copyfile(file, part)
    stays = ("name", "added_utc", "added_by", "raw", "history")
    record = record | {key: known[key] for key in stays if key in known} | {"files": files}
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
    """Remove what was left when adding or taking was killed: nobody has written there for a while."""
    for place in folder.glob(f"{prefix}*"):
        with suppress(OSError):
            newest = max(file.stat().st_mtime for file in (place, *place.rglob("*")))
            if newest < time.time() - LEFT_OVER_S:
                shutil.rmtree(place)


def _sync(path: Path) -> None:
    if os.name == "nt" and path.is_dir():
        return  # Windows cannot sync a folder, nor a file that is open for reading alone
    descriptor = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
