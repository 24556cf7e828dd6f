"""What people change of a recording afterwards: conditions corrected, passes struck out, each with its history.

It is kept in the sidecar beside the raw recording and in the capture, so that a capture made again says the same. The
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
from towertap.doors.whole_file import allocate, whole_file
from towertap.errors import CallError, FileError
from towertap.lazily import h5py

SEEN = "values_seen.json"
"""Beside the captures: when the values of each were first shown, by the SHA-256 of its raw recording."""
LARGEST_SEEN = 10_000_000
ROOM_BYTES = 2**20


@dataclass(frozen=True)
class _Correction:
    """What a recording says until now and from now on."""

    capture_path: Path
    raw: Path
    was: Conditions
    now: Conditions
    host: dict[str, Any]

    @property
    def stem(self) -> str:
        """A name that `record` made of the conditions is made anew of those that hold now; another stays."""
        return renamed(self.capture_path.stem, self.was, self.now)

    @property
    def moves(self) -> dict[Path, Path]:
        """Where raw recording, sidecar and capture are, as far as they are there, and where they will be."""
        files = [path for path in (self.raw, sidecar_path(self.raw), self.capture_path) if os.path.lexists(path)]
        return {path: _named(path, self.stem) for path in files}

    def refuse_taken(self, planned: dict[str, Path]) -> None:
        """CallError where a file of the new name is there, or `planned` has it for another capture; else it joins."""
        would_be = f"{self.capture_path}: its name would be {self.stem}, and"
        for path, target in self.moves.items():
            if target != path and target.exists():
                raise CallError(f"{would_be} there is a {target.name} of that name: move it away")
        other = planned.setdefault(os.path.realpath(_named(self.capture_path, self.stem)), self.capture_path)
        if other != self.capture_path:
            raise CallError(f"{would_be} so would that of {other}: correct them one by one")

    def carry_out(self) -> Path:
        """Write it; the capture's path from now on."""
        history = [*self.host.get("history", []), {"conditions": self.was.to_dict(), "until_utc": now_utc()}]
        host = self.host | {"history": history}
        _write(self.capture_path, self.raw, self.now, host, raw_name=f"{self.stem}{self.raw.suffix}")
        for path, target in self.moves.items():
            os.replace(path, target)
        return _named(self.capture_path, self.stem)


def correct(capture_paths: Iterable[Path], changes: Mapping[str, Any]) -> dict[Path, Path]:
    """Give recordings other conditions; what they were before joins their history. Each capture's path, was and is.

    One that says so already is left out. All are looked at before any is changed: FileError for a damaged one,
    CallError where none would change or a new name is taken.
    """
    paths = list({os.path.realpath(path): path for path in capture_paths}.values())
    corrections = []
    for path in paths:
        raw, was, host = _known(path)
        now = Conditions.from_dict(was.to_dict() | dict(changes))
        if now != was:
            corrections.append(_Correction(path, raw, was, now, host))
    if not corrections:
        raise CallError(f"{', '.join(map(str, paths))}: says so already; nothing is corrected")
    planned: dict[str, Path] = {}
    for correction in corrections:
        correction.refuse_taken(planned)
    return {correction.capture_path: correction.carry_out() for correction in corrections}


def strike_out(capture_path: Path, reason: str) -> StruckOut:
    """Strike a pass out: the files stay, and every command leaves it out and says why."""
    if not reason.strip():
        raise CallError("say why with --reason: a pass that is struck out without one proves nothing")
    raw, conditions, host = _known(capture_path)
    if host.get("struck_out"):
        raise CallError(f"{capture_path}: struck out already; --undo takes it back")
    struck = StruckOut(" ".join(reason.split()), now_utc(), bool(seen_utc(capture_path)))
    _write(capture_path, raw, conditions, host | {"struck_out": struck.to_dict()})
    return struck


def take_back(capture_path: Path) -> StruckOut:
    """Take a striking out back; that it was joins the history."""
    raw, conditions, host = _known(capture_path)
    struck = host.pop("struck_out", None)
    if not struck:
        raise CallError(f"{capture_path}: is not struck out")
    history = [*host.get("history", []), {"struck_out": struck, "until_utc": now_utc()}]
    _write(capture_path, raw, conditions, host | {"history": history})
    return StruckOut(**struck)


def note_seen(captures: Iterable[tuple[Path, str]]) -> None:
    """Note that the values of captures, each with its raw recording's SHA-256, were shown now; the first time counts.

    Where nothing can be written nothing is noted; an archived recording takes no notes.
    """
    by_folder: dict[Path, list[str]] = {}
    for path, digest in captures:
        if not is_archived(path):
            by_folder.setdefault(path.parent, []).append(digest)
    for folder, digests in by_folder.items():
        seen = _seen(folder)
        if new := {digest: now_utc() for digest in digests if digest not in seen}:
            with suppress(OSError), whole_file(folder / SEEN) as part:
                part.write_text(json.dumps(seen | new, indent=1) + "\n", "utf-8")


def seen_utc(capture_path: Path) -> str | None:
    """When the values of a capture were first shown, as far as is known."""
    with open_capture(capture_path) as capture:
        return _seen(capture_path.parent).get(capture.text("raw_sha256"))


def _seen(folder: Path) -> dict[str, str]:
    with suppress(FileError):
        return read_json(folder / SEEN, dict[str, str], "what was seen", LARGEST_SEEN)
    return {}


def _known(capture_path: Path) -> tuple[Path, Conditions, dict[str, Any]]:
    """Where the raw recording of a capture would be, its conditions, and what else is kept of it."""
    if is_archived(capture_path):
        raise CallError(f"{capture_path}: is archived, and stays as it was added: amend the recording and add it again")
    with open_capture(capture_path) as capture:
        conditions, host = capture.conditions, dict(capture.host)
    raw = capture_path.with_suffix(".ttraw")
    if sidecar_path(raw).exists():
        host = {key: value for key, value in read_sidecar(raw).items() if key != "conditions"}
    return raw, conditions, host


def _write(
    capture_path: Path, raw: Path, conditions: Conditions, host: dict[str, Any], raw_name: str | None = None
) -> None:
    """Put both into the capture and, where there is a raw recording, into the sidecar; of damage, into neither."""
    texts = {"conditions": json.dumps(conditions.to_dict()), "host": json.dumps(host)}
    with whole_file(capture_path) as part:
        shutil.copyfile(capture_path, part)
        allocate(part, part.stat().st_size + sum(map(len, texts.values())) + ROOM_BYTES)
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
