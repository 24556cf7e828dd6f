"""Puts recordings into an archive, whole or not at all; what a person wrote never becomes a path."""

import gzip
import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from towertap.archive import record as records
from towertap.archive.record import (
    BLOCK_BYTES,
    CAPTURE,
    RAW,
    SIDECAR,
    Record,
    is_kept_kind,
    keep,
    read_record,
    seal,
    sum_of,
)
from towertap.archive.store import DAMAGES, listing, unpacked_sum, write_index
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
WANTED = "a capture (.h5), a raw recording (.ttraw), a plan or a bench record (.json)"
ADDED, THERE, CORRECTED, KEPT = "added", "there already", "corrected", "kept"
STALE = "there already; its .conditions.json says something else than its capture, which counts until it is made anew"


@dataclass(frozen=True)
class Added:
    """What became of a recording, or of a plan or bench record, that was to be added."""

    path: Path
    name: str
    """Of its folder, or its place in the archive."""
    how: str


def add(archive: Path, path: Path) -> Added:
    """Add one; see `add_all`."""
    (added,) = add_all(archive, [path])
    return added


def add_all(archive: Path, paths: Iterable[Path]) -> Iterator[Added]:
    """Add recordings, each named by its raw stream or its capture, and plans and bench records, by their files.

    A recording is known by the SHA-256 of its raw stream: it is there once. Conditions that differ from what is kept
    are a correction, taken over with what they were before, and so is a striking out. The raw stream must lie beside a
    capture; a raw stream without capture is decoded. A recording appears whole or not at all. TowertapError in one line
    when something does not fit; what was added before stays.
    """
    archive.mkdir(parents=True, exist_ok=True)
    _remove_left_overs(archive)
    known = {record["raw"]["sha256"]: record for record in listing(archive).records}
    is_changed = False
    try:
        for path in paths:
            if path.suffix == ".json":
                place, is_new = keep(archive, path)
                yield Added(path, place, KEPT if is_new else THERE)
                continue
            raw, capture = _pair(path)
            digest = sha256_of(raw)
            how, record = _add(archive, raw, capture, digest, known.get(digest))
            known[digest] = record
            is_changed |= how in (ADDED, CORRECTED)
            yield Added(path, record["name"], how)
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


def _add(archive: Path, raw: Path, capture: Path | None, digest: str, known: Record | None) -> tuple[str, Record]:
    """Add a recording, or take over the conditions of one that is `known`."""
    if known and (how := _unchanged(raw, capture, known)):
        return how, known
    with no_room_named(archive), tempfile.TemporaryDirectory(prefix=ADDING, dir=archive) as place:
        made = Path(place) / "recording"
        made.mkdir()
        if not known:
            _pack(raw, made / RAW, digest)
        if capture is None:
            decode_raw(raw, made / CAPTURE)
        else:
            shutil.copyfile(capture, made / CAPTURE)
        with open_capture(made / CAPTURE) as opened_capture:
            if opened_capture.text("raw_sha256") != digest:
                raise FileError(f"{raw}: its capture was made from other bytes; decode it again, then add it")
            _write_sidecar(raw, made / SIDECAR, opened_capture.conditions)
            record = _describe(opened_capture, raw, digest)
        if known:
            return CORRECTED, _correct(archive / known["name"], made, known, record)
        return _place(archive, made, record)


def _unchanged(raw: Path, capture: Path | None, known: Record) -> str:
    """How a known recording stands when there is nothing to take over; empty when its conditions are others now."""
    beside = read_sidecar(raw)["conditions"].to_dict() if sidecar_path(raw).exists() else known["conditions"]
    if capture is None:
        return THERE if beside == known["conditions"] else ""
    with open_capture(capture) as opened_capture:
        if opened_capture.conditions.to_dict() != known["conditions"]:
            return ""
        if opened_capture.host.get("struck_out") != known.get("struck_out"):
            return ""
    were = [known["conditions"], *(entry.get("conditions") for entry in known.get("history", []))]
    return THERE if beside in were else STALE


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
    with suppress(*DAMAGES):
        if unpacked_sum(packed, size) == {"bytes": size, "sha256": digest}:
            return
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


def _place(archive: Path, made: Path, record: Record) -> tuple[str, Record]:
    """Give a new recording its name in the archive, unless another add has just done so."""
    record["files"] = {file.name: sum_of(file) for file in sorted(made.iterdir())}
    (made / records.NAME).write_text(seal(record), "utf-8")
    for file in made.iterdir():
        _sync(file)
    folder = archive / record["name"]
    try:
        made.rename(folder)
    except OSError:
        with suppress(FileError):
            if read_record(folder)["raw"]["sha256"] == record["raw"]["sha256"]:
                return THERE, read_record(folder)
        raise FileError(f"{folder}: there already, and not whole; 'towertap archive verify' tells more") from None
    _sync(archive)
    return ADDED, record


def _correct(folder: Path, made: Path, known: Record, record: Record) -> Record:
    """Put the corrected capture, sidecar and record in the place of those that are kept, the record last.

    Killed in between, it leaves sums that do not fit; adding once more mends that.
    """
    history = [*known.get("history", []), {"conditions": known["conditions"], "until_utc": now_utc()}]
    for file in sorted(made.iterdir()):
        with whole_file(folder / file.name) as part:
            shutil.copyfile(file, part)
    stored = {file.name: sum_of(file) for file in sorted(folder.iterdir()) if file.name in records.FILES}
    record |= {"name": known["name"], "files": stored, "history": history}
    record |= {key: known[key] for key in ("added_utc", "added_by", "raw") if key in known}
    with whole_file(folder / records.NAME) as part:
        part.write_text(seal(record), "utf-8")
    return record


def _describe(capture: Capture, raw: Path, digest: str) -> Record:
    drive, started_utc = capture.conditions, capture.text("started_utc")
    name = recording_name(drive.road, drive.part, drive.pass_number or 0, instant(started_utc))
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


def _remove_left_overs(archive: Path) -> None:
    """Remove what adds that were killed have left: nobody has written there for a while."""
    for place in archive.glob(f"{ADDING}*"):
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
