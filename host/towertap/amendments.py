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


def correct(capture_path: Path, changes: Mapping[str, Any]) -> Path:
    """Give a recording other conditions; what they were before joins its history. The capture's path, if it is another.

    A name that `record` made of the conditions is made anew of those that hold now, for raw recording, sidecar and
    capture alike. CallError where nothing changes or a file of the new name is there.
    """
    raw, conditions, host = _known(capture_path)
    corrected = Conditions.from_dict(conditions.to_dict() | dict(changes))
    if corrected == conditions:
        raise CallError(f"{capture_path}: says so already; nothing is corrected")
    stem = renamed(capture_path.stem, conditions, corrected)
    files = [path for path in (capture_path, sidecar_path(raw), raw) if os.path.lexists(path)]
    taken = [path.name for path in files if stem != capture_path.stem and _named(path, stem).exists()]
    if taken:
        raise CallError(
            f"{capture_path}: its name would be {stem}, and there is a {taken[0]} of that name: move it away"
        )
    history = [*host.get("history", []), {"conditions": conditions.to_dict(), "until_utc": now_utc()}]
    _write(capture_path, raw, corrected, host | {"history": history}, raw_name=f"{stem}{raw.suffix}")
    for path in [path for path in (raw, sidecar_path(raw), capture_path) if os.path.lexists(path)]:
        os.replace(path, _named(path, stem))
    return _named(capture_path, stem)


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
