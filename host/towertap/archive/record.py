"""What an archive knows of a recording: JSON with its own SHA-256 in it, so that a flipped bit is seen there too."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from towertap.errors import FileError

NAME = "record.json"
FORMAT = 1
RAW, CAPTURE, SIDECAR = "raw.ttraw.gz", "capture.h5", "raw.conditions.json"
FILES = (RAW, CAPTURE, SIDECAR)
"""What a recording's folder holds beside its record; the sidecar only when the recording came with one."""

LARGEST_BYTES = 2**26
BLOCK_BYTES = 2**20

Record = dict[str, Any]
"""`format`, `name`, `added_utc`, `added_by`; `raw` (`name`, `bytes`, `sha256` of the bytes that came from the box);
`files` (stored name → `bytes`, `sha256`); `schema_version`, `host`, `firmware`, `board`, `serial`, `chip`, `odr_hz`,
`samples`, `seconds`, `started_utc`; `conditions`."""

_SHAPE: dict[str, type | tuple[type, ...]] = {
    "name": str,
    "raw": dict,
    "files": dict,
    "conditions": dict,
    "started_utc": str,
    "schema_version": str,
    "host": str,
    "firmware": str,
    "samples": int,
    "seconds": (int, float),
}


def seal(content: Any) -> str:
    """JSON text of `content` and of its SHA-256; the same content gives the same text."""
    text = json.dumps(content, indent=1, sort_keys=True, allow_nan=False)
    return json.dumps({"content": content, "sha256": sha256(text.encode())}, indent=1, sort_keys=True) + "\n"


def unseal(path: Path) -> Any:
    """The content of a sealed file; FileError when it is not, to the byte, what was sealed."""
    if path.is_symlink() or not path.is_file():
        raise FileError(f"{path}: missing, or a link to elsewhere")
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ValueError
        text = path.read_text("utf-8")
        content = json.loads(text)["content"]
        if seal(content) != text:
            raise ValueError
    except (ValueError, TypeError, KeyError, RecursionError):
        raise FileError(f"{path}: damaged") from None
    return content


def read_record(folder: Path) -> Record:
    """The record of a recording's folder; FileError names the file when it is missing, damaged or newer."""
    path = folder / NAME
    return held_to_shape(unseal(path), path)


def held_to_shape(record: Any, path: Path) -> Record:
    """The record from `path`, if it is one; else FileError."""
    if not isinstance(record, dict) or not isinstance(record.get("format"), int):
        raise FileError(f"{path}: not the record of a recording")
    if record["format"] > FORMAT:
        raise FileError(f"{path}: written by a newer towertap; install that")
    files = record.get("files")
    sums = [record.get("raw"), *(files.values() if isinstance(files, dict) else [])]
    sound = all(isinstance(entry, dict) and isinstance(entry.get("sha256"), str) for entry in sums)
    if not sound or any(not isinstance(record.get(key), kind) for key, kind in _SHAPE.items()):
        raise FileError(f"{path}: not the record of a recording")
    if not {RAW, CAPTURE} <= set(record["files"]) <= set(FILES):
        raise FileError(f"{path}: names files that no recording has")
    return record


def sha256(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
