"""Takes recordings out of an archive again: every byte proved, and the history of the conditions beside them."""

import gzip
import os
import re
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path

from towertap.archive import record as records
from towertap.archive.record import BLOCK_BYTES, CAPTURE, RAW, SIDECAR, Record, read_record, sum_of
from towertap.archive.store import DAMAGES, find
from towertap.errors import CallError, FileError

TAKING = ".taking-"
RAW_SUFFIX = re.compile(r"\.(?!h5$)[a-z0-9]{1,8}")
"""Of a raw recording: a box's, or that of a file that was imported; not a capture's."""


def take(archive: Path, name: str, folder: Path) -> list[Path]:
    """Copy the recording `name` (its first letters will do) into `folder`; the files, whole or none of them.

    They are named after the recording: the raw recording as it was before it was packed, the capture, what was known
    before the drive, and the archive's record, which has the conditions as they were before they were corrected.
    FileError for a recording that is not as it was added, CallError where a file would be replaced.
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
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=TAKING, dir=folder) as place:
        for file in files:
            _copy(stored, file, Path(place) / file, record)
        for file, target in targets.items():
            (Path(place) / file).rename(target)
    return list(targets.values())


def _copy(stored: Path, file: str, target: Path, record: Record) -> None:
    """Copy one file of a recording, the raw recording unpacked, and hold the copy to its sum."""
    if file == records.NAME:
        shutil.copyfile(stored / file, target)
        return
    wanted = record["raw"] if file == RAW else record["files"][file]
    opener = gzip.open if file == RAW else open
    with suppress(*DAMAGES):
        with opener(stored / file, "rb") as source, target.open("wb") as copy:
            left = wanted["bytes"] + 1  # what unpacks to more is not what was packed
            while left > 0 and (block := source.read(min(left, BLOCK_BYTES))):
                left -= copy.write(block)
        if sum_of(target) == {key: wanted[key] for key in ("bytes", "sha256")}:
            return
    raise FileError(f"{stored / file}: not as it was added; 'towertap archive verify' tells more")
