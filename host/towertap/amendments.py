"""Changes to a recording after it was made: correcting conditions and striking out passes, each with its history.

Changes are stored in the sidecar next to the raw recording and in the capture, so that decoding again keeps them. The
raw bytes are never touched.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from towertap.archive.record import is_archived
from towertap.box.naming import renamed
from towertap.capture import schema
from towertap.capture.conditions import Conditions, StruckOut, read_sidecar, sidecar_path, write_sidecar
from towertap.capture.reading import open_capture
from towertap.doors.structured import read_json
from towertap.doors.times import now_utc
from towertap.doors.whole_file import allocate, whole_file, write_json
from towertap.errors import CallError, FileError
from towertap.lazily import h5py

SEEN = "values_seen.json"
"""Next to the captures: SHA-256 of each raw recording → when its values were first shown."""
MAX_SEEN_BYTES = 10_000_000
SPARE_BYTES = 2**20


@dataclass(frozen=True)
class _Correction:
    """A recording with its old and new conditions."""

    capture_path: Path
    raw: Path
    was: Conditions
    now: Conditions
    host: dict[str, Any]

    @property
    def stem(self) -> str:
        """File name from the new conditions if `record` made it from the old ones; otherwise unchanged."""
        return renamed(self.capture_path.stem, self.was, self.now)

    @property
    def moves(self) -> dict[Path, Path]:
        """Old → new path of raw recording, sidecar and capture, as far as they exist."""
        files = [path for path in (self.raw, sidecar_path(self.raw), self.capture_path) if os.path.lexists(path)]
        return {path: _named(path, self.stem) for path in files}

    def reserve_name(self, reserved: dict[str, Path]) -> None:
        """Add the new name to `reserved`; CallError if it is taken by an existing file or by another capture."""
        conflict = f"{self.capture_path}: its new name would be {self.stem}, but"
        for path, target in self.moves.items():
            if target != path and target.exists():
                raise CallError(f"{conflict} {target.name} already exists: move it away")
        other = reserved.setdefault(os.path.realpath(_named(self.capture_path, self.stem)), self.capture_path)
        if other != self.capture_path:
            raise CallError(f"{conflict} {other} would get the same name: correct them one by one")

    def apply(self) -> Path:
        """Write the new conditions and rename the files; returns the capture's new path."""
        history = [*self.host.get("history", []), {"conditions": self.was.to_dict(), "until_utc": now_utc()}]
        host = self.host | {"history": history}
        _write(self.capture_path, self.raw, self.now, host, raw_name=f"{self.stem}{self.raw.suffix}")
        for path, target in self.moves.items():
            os.replace(path, target)
        return _named(self.capture_path, self.stem)


def correct(capture_paths: Iterable[Path], changes: Mapping[str, Any]) -> dict[Path, Path]:
    """Change the conditions of recordings and add the old ones to their history. Returns old → new capture path.

    Recordings that already have these conditions are left out. All are checked before any is changed: FileError if
    one is damaged, CallError if none would change or a new name is taken.
    """
    paths = list({os.path.realpath(path): path for path in capture_paths}.values())
    corrections = []
    for path in paths:
        raw, was, host = _load(path)
        now = Conditions.from_dict(was.to_dict() | dict(changes))
        if now != was:
            corrections.append(_Correction(path, raw, was, now, host))
    if not corrections:
        raise CallError(f"{', '.join(map(str, paths))}: already has these conditions; nothing is corrected")
    reserved: dict[str, Path] = {}
    for correction in corrections:
        correction.reserve_name(reserved)
    return {correction.capture_path: correction.apply() for correction in corrections}


def strike_out(capture_path: Path, reason: str) -> StruckOut:
    """Strike out a pass: the files stay, and every command skips it and says why."""
    if not reason.strip():
        raise CallError("give a --reason: without one, striking out a pass proves nothing")
    raw, conditions, host = _load(capture_path)
    if host.get("struck_out"):
        raise CallError(f"{capture_path}: already struck out; --undo reverses that")
    struck = StruckOut(" ".join(reason.split()), now_utc(), bool(seen_utc(capture_path)))
    _write(capture_path, raw, conditions, host | {"struck_out": struck.to_dict()})
    return struck


def take_back(capture_path: Path) -> StruckOut:
    """Undo `strike_out`; the history records that the pass was struck out."""
    raw, conditions, host = _load(capture_path)
    struck = host.pop("struck_out", None)
    if not struck:
        raise CallError(f"{capture_path}: not struck out")
    history = [*host.get("history", []), {"struck_out": struck, "until_utc": now_utc()}]
    _write(capture_path, raw, conditions, host | {"history": history})
    return StruckOut(**struck)


def note_seen(captures: Iterable[tuple[Path, str]]) -> None:
    """Record that the values of captures (path, SHA-256 of the raw recording) are shown now; the first time counts.

    Does nothing for archived recordings, or if the folder is not writable.
    """
    by_folder: dict[Path, list[str]] = {}
    for path, digest in captures:
        if not is_archived(path):
            by_folder.setdefault(path.parent, []).append(digest)
    for folder, digests in by_folder.items():
        seen = _seen(folder)
        if new := {digest: now_utc() for digest in digests if digest not in seen}:
            with suppress(OSError):
                write_json(folder / SEEN, seen | new)


def seen_utc(capture_path: Path) -> str | None:
    """When the values of a capture were first shown; None if not known."""
    with open_capture(capture_path) as capture:
        return _seen(capture_path.parent).get(capture.text("raw_sha256"))


def _seen(folder: Path) -> dict[str, str]:
    with suppress(FileError):
        return read_json(folder / SEEN, dict[str, str], "a list of captures seen", MAX_SEEN_BYTES)
    return {}


def _load(capture_path: Path) -> tuple[Path, Conditions, dict[str, Any]]:
    """Path of a capture's raw recording, which may not exist, its conditions, and the other keys of its sidecar."""
    if is_archived(capture_path):
        raise CallError(f"{capture_path}: archived files never change: amend the recording and add it again")
    with open_capture(capture_path) as capture:
        conditions, host = capture.conditions, dict(capture.host)
    raw = capture_path.with_suffix(".ttraw")
    if sidecar_path(raw).exists():
        host = {key: value for key, value in read_sidecar(raw).items() if key != "conditions"}
    return raw, conditions, host


def _write(
    capture_path: Path, raw: Path, conditions: Conditions, host: dict[str, Any], raw_name: str | None = None
) -> None:
    """Write both to the capture and, if there is a raw recording or sidecar, to the sidecar; to neither on an error."""
    texts = {"conditions": json.dumps(conditions.to_dict()), "host": json.dumps(host)}
    with whole_file(capture_path) as part:
        shutil.copyfile(capture_path, part)
        allocate(part, part.stat().st_size + sum(map(len, texts.values())) + SPARE_BYTES)
        try:
            with h5py.File(part, "r+") as file:
                schema.set_attributes(file, texts | ({"raw_name": raw_name} if raw_name else {}))
                schema.validate(file)
        except schema.DAMAGED:
            raise FileError(f"{capture_path}: damaged capture; {schema.AGAIN}") from None
        if raw.exists() or sidecar_path(raw).exists():
            write_sidecar(raw, conditions, **host)


def _named(path: Path, stem: str) -> Path:
    kind = ".conditions.json" if path.name.endswith(".conditions.json") else path.suffix
    return path.with_name(f"{stem}{kind}")
