"""Takes recordings out of an archive again: every byte proved, and the history of the conditions beside them."""

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
"""Of a raw recording: a box's, or that of a file that was imported; not a capture's."""


def take(archive: Path, name: str, folder: Path) -> list[Path]:
    """Copy the recording `name` (its first letters will do) into `folder`; the files, whole or none of them.

    They are named after the recording: the raw recording as it was before it was packed, the capture, what was known
    before the drive, and the archive's record, which has the conditions as they were before they were corrected.
    FileError for a recording that is not as it was added or a folder that cannot be written, CallError where a file
    would be replaced.
    """
    stored = archive / find(archive, name)["name"]
    record = read_record(stored)
    suffix = Path(str(record["raw"].get("name", ""))).suffix.lower()
    suffix = suffix if RAW_SUFFIX.fullmatch(suffix) else ".ttraw"
    names = {RAW: suffix, CAPTURE: ".h5", SIDECAR: ".conditions.json", records.NAME: ".record.json"}
    files = [*record["files"], records.NAME]
    targets = {file: folder / f"{record['name']}{names[file]}" for file in files}
    if there := [path for path in targets.values() if os.path.lexists(path)]:
        raise CallError(f"{there[0]}: there already: not replaced; move it away, or name another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        remove_left_overs(folder, TAKING)
        with tempfile.TemporaryDirectory(prefix=TAKING, dir=folder) as place:
            for file in files:
                _copy(stored, file, Path(place) / file, record)
            for file, target in targets.items():
                (Path(place) / file).rename(target)
    except OSError as error:  # of writing alone: what reading meets is a FileError
        raise FileError(f"{folder}: {error.strerror}; make room there, or name another folder") from None
    return list(targets.values())


def _copy(stored: Path, file: str, target: Path, record: Record) -> None:
    """Copy one file of a recording, the raw recording unpacked, and hold what is read to its sum."""
    if file == records.NAME:
        target.write_bytes(seal(record))
        return
    is_raw = file == RAW
    try:
        with target.open("wb") as copy:
            for block in blocks_of(stored / file, record["raw"] if is_raw else record["files"][file], packed=is_raw):
                copy.write(block)
    except FileError as error:
        raise FileError(f"{error}; 'towertap archive verify' tells more") from None
