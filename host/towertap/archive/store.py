"""Lists and finds the recordings of an archive, from their records or the index."""

import os
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from towertap.archive.record import KEPT_FOLDERS, Record, checked_record, read_record, seal, unseal
from towertap.doors.structured import typed
from towertap.doors.times import local_day
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError, FileError

INDEX = "index.json"
"""All records in one file, for speed; rebuilt from the records if it is missing or does not match. Recordings whose
folder is gone stay in it, because it is the only trace of them."""
LOCK = ".lock"
"""Empty; locked during an add."""
REBUILT = f"{INDEX} was missing and is rebuilt: recordings lost before that are not known"
DAMAGED = "damaged; delete it to rebuild it: recordings lost before that are then not known"
GONE = f"listed in {INDEX}, but its folder is gone: restore it from a copy"


@dataclass(frozen=True)
class Listing:
    """The recordings of an archive, and one line for each folder with an unreadable record."""

    records: list[Record]
    unreadable: list[str]
    gone: list[Record] = field(default_factory=list)
    """Records in the index whose folder is gone."""
    index_remark: str = ""
    """There are recordings, but the index was missing or is damaged."""


def listing(archive: Path) -> Listing:
    """All recordings by name: from the index if it lists every folder, else from their records."""
    folders, index = set(names(archive)), index_of(archive)
    if index is None or not folders <= {record["name"] for record in index}:
        result = from_records(archive)
        if result.records:  # without records it may be any folder
            write_index(archive, result.records)
        return result
    present = [record for record in index if record["name"] in folders]
    return Listing(present, [], [record for record in index if record["name"] not in folders])


def write_index(archive: Path, recordings: list[Record]) -> None:
    """Write the index of all recordings, keeping other records of the old index; does nothing if the disk is read-only.

    A damaged index is left alone: it may be the only trace of a recording, and 'verify' reports it.
    """
    index = index_of(archive)
    if index is None and (archive / INDEX).exists():
        return
    with suppress(OSError), whole_file(archive / INDEX) as part:
        part.write_bytes(seal(merged(recordings, index or [])))


def index_of(archive: Path) -> list[Record] | None:
    """The records in the index; None if it is missing or damaged."""
    with suppress(FileError):
        return [checked_record(record, archive / INDEX) for record in typed(unseal(archive / INDEX), list, INDEX)]
    return None


def from_records(archive: Path) -> Listing:
    """All recordings by name, from their own records; only those that are gone come from the index."""
    folders, index = names(archive), index_of(archive)
    result = Listing([], [])
    for name in folders:
        try:
            result.records.append(read_record(archive / name))
        except FileError as error:
            result.unreadable.append(str(error))
    present = {*folders, *(record["name"] for record in result.records)}
    gone = [record for record in index or [] if record["name"] not in present]
    remark = f"{INDEX}: {DAMAGED}" if (archive / INDEX).exists() else REBUILT
    return replace(result, gone=gone, index_remark=remark if result.records and index is None else "")


def merged(recordings: list[Record], index: list[Record]) -> list[Record]:
    """Recordings and records of an index, sorted by name; recordings take precedence."""
    return [record for _, record in sorted({record["name"]: record for record in index + recordings}.items())]


def refuse_any_folder(archive: Path) -> None:
    """CallError for a folder with neither recordings nor an index."""
    if not names(archive) and not (archive / INDEX).exists():
        raise CallError(f"{archive}: not an archive; name the folder that 'towertap archive add' made")


def names(archive: Path) -> list[str]:
    """Sorted names of the recordings' folders, without links, hidden folders and those of plans and bench records."""
    if not archive.is_dir():
        raise CallError(f"{archive}: no such archive; 'towertap archive add' makes one")
    with os.scandir(archive) as entries:
        folders = [entry.name for entry in entries if entry.is_dir(follow_symlinks=False)]
    return sorted(name for name in folders if not name.startswith(".") and name not in KEPT_FOLDERS.values())


def find(archive: Path, name: str) -> Record:
    """The recording whose name or raw SHA-256 starts with `name`; CallError unless there is exactly one."""
    recordings = listing(archive).records
    matches = [record for record in recordings if record["name"] == name] or [
        record
        for record in recordings
        if record["name"].startswith(name) or record["raw"]["sha256"].startswith(name.lower())
    ]
    if len(matches) != 1:
        what = "more than one recording is" if matches else "no recording is"
        raise CallError(f"{archive}: {what} called {name!r}; 'towertap archive list' shows the names")
    return matches[0]


def select(
    recordings: list[Record], since: date | None = None, until: date | None = None, **conditions: str | None
) -> list[Record]:
    """Recordings with the given conditions, ignoring case, that began on a day from `since` to `until`.

    Days are in the local time of the computer that recorded.
    """
    wanted = {key: value.casefold() for key, value in conditions.items() if value is not None}
    chosen = []
    for record in recordings:
        if any(str(record["conditions"].get(key, "")).casefold() != value for key, value in wanted.items()):
            continue
        day = local_day(record["started_utc"], record.get("utc_offset_s"))
        if (since or until) and not (day and (since or date.min) <= day <= (until or date.max)):
            continue
        chosen.append(record)
    return chosen
