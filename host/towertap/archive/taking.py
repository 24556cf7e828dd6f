"""Copies recordings out of an archive, checking every byte, with the history of their conditions."""

import os
import re
import tempfile
from pathlib import Path

from towertap.archive import record as records
from towertap.archive.adding import remove_left_overs
from towertap.archive.record import CAPTURE, RAW, SIDECAR, Record, blocks_of, read_record, seal
from towertap.archive.store import find
from towertap.errors import CallError, FileError

TAKING = ".taking-"
RAW_SUFFIX = re.compile(r"\.(?!h5$)[a-z0-9]{1,8}")
"""Suffix of a box's raw recording or of an imported file, but not of a capture."""


def take(archive: Path, name: str, folder: Path) -> list[Path]:
    """Copy the recording `name` (its first letters are enough) into `folder`, all files or none; returns their paths.

    Files are named after the recording: the decompressed raw recording, the capture, the sidecar, and the archive's
    record with the history of the conditions. FileError if the recording is damaged or the folder is not writable,
    CallError if a file would be replaced.
    """
    stored = archive / find(archive, name)["name"]
    record = read_record(stored)
    suffix = Path(str(record["raw"].get("name", ""))).suffix.lower()
    suffix = suffix if RAW_SUFFIX.fullmatch(suffix) else ".ttraw"
    names = {RAW: suffix, CAPTURE: ".h5", SIDECAR: ".conditions.json", records.NAME: ".record.json"}
    files = [*record["files"], records.NAME]
    targets = {file: folder / f"{record['name']}{names[file]}" for file in files}
    if existing := [path for path in targets.values() if os.path.lexists(path)]:
        raise CallError(f"{existing[0]}: already exists: not replaced; move it away, or name another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        remove_left_overs(folder, TAKING)
        with tempfile.TemporaryDirectory(prefix=TAKING, dir=folder) as place:
            for file in files:
                _copy(stored, file, Path(place) / file, record)
            for file, target in targets.items():
                (Path(place) / file).rename(target)
    except OSError as error:  # only writing raises it: reading raises FileError
        raise FileError(f"{folder}: {error.strerror}; free some space, or name another folder") from None
    return list(targets.values())


def _copy(stored: Path, file: str, target: Path, record: Record) -> None:
    """Copy one file of a recording, decompressing the raw recording, and check its SHA-256."""
    if file == records.NAME:
        target.write_bytes(seal(record))
        return
    is_raw = file == RAW
    try:
        with target.open("wb") as copy:
            for block in blocks_of(stored / file, record["raw"] if is_raw else record["files"][file], packed=is_raw):
                copy.write(block)
    except FileError as error:
        raise FileError(f"{error}; 'towertap archive verify' shows more") from None
