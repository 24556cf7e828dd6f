"""What an archive holds: its recordings by their records, by the index, and by what somebody asks for."""

import os
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from towertap.archive.record import KEPT_FOLDERS, Record, held_to_shape, read_record, seal, unseal
from towertap.doors.structured import typed
from towertap.doors.times import local_day
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError, FileError

INDEX = "index.json"
"""All records in one file: for speed, made anew from the records whenever it is not there or does not fit; and the only
trace of a recording whose folder is gone, which stays in it."""
LOCK = ".lock"
"""Empty; held by whoever adds."""
WITHOUT_INDEX = f"{INDEX} was missing or damaged, and is made anew: a recording lost before that is not known here"
GONE = f"{INDEX} holds it, and its folder is gone: bring it back from a copy"


@dataclass(frozen=True)
class Listing:
    """The recordings of an archive, and one line for each folder whose record cannot be read."""

    records: list[Record]
    unreadable: list[str]
    gone: list[Record] = field(default_factory=list)
    """What the index holds and whose folder is gone."""
    is_without_index: bool = False
    """Recordings are here and the index was missing or damaged: what was lost before that is not known."""


def listing(archive: Path) -> Listing:
    """All recordings by name: from the index when it knows every folder that is there, else from their records."""
    folders, index = set(names(archive)), index_of(archive)
    if index is None or not folders <= {record["name"] for record in index}:
        anew = from_records(archive)
        if anew.records:  # without records it may be any folder
            write_index(archive, anew.records)
        return anew
    here, gone = ([record for record in index if (record["name"] in folders) is so] for so in (True, False))
    return Listing(here, [], gone)


def write_index(archive: Path, recordings: list[Record]) -> None:
    """Write the index of all recordings, and of what the one before held beside; it is no loss where that fails.

    One that is damaged stays as it is: it may be the only trace of something, and 'verify' tells.
    """
    index = index_of(archive)
    if index is None and (archive / INDEX).exists():
        return
    with suppress(OSError), whole_file(archive / INDEX) as part:  # its disk may be one that cannot be written
        part.write_bytes(seal(with_others(recordings, index or [])))


def index_of(archive: Path) -> list[Record] | None:
    """The records that the index holds; None when it is missing or damaged."""
    with suppress(FileError):
        return [held_to_shape(record, archive / INDEX) for record in typed(unseal(archive / INDEX), list, INDEX)]
    return None


def from_records(archive: Path) -> Listing:
    """All recordings by name, from their own records; from the index only those that are gone."""
    folders, index = names(archive), index_of(archive)
    result = Listing([], [])
    for name in folders:
        try:
            result.records.append(read_record(archive / name))
        except FileError as error:
            result.unreadable.append(str(error))
    here = {*folders, *(record["name"] for record in result.records)}
    gone = [record for record in index or [] if record["name"] not in here]
    return replace(result, gone=gone, is_without_index=bool(result.records) and index is None)


def with_others(recordings: list[Record], index: list[Record]) -> list[Record]:
    """Recordings by name, with what an index holds beside them."""
    return [record for _, record in sorted({record["name"]: record for record in index + recordings}.items())]


def refuse_any_folder(archive: Path) -> None:
    """CallError for a folder that holds neither recordings nor the index of some."""
    if not names(archive) and not (archive / INDEX).exists():
        raise CallError(f"{archive}: no archive here; name the folder that 'towertap archive add' made")


def names(archive: Path) -> list[str]:
    """Names of the recordings' folders, sorted; links, hidden ones and those of plans and calibrations are none."""
    if not archive.is_dir():
        raise CallError(f"{archive}: no such archive; 'towertap archive add' makes one")
    with os.scandir(archive) as entries:
        folders = [entry.name for entry in entries if entry.is_dir(follow_symlinks=False)]
    return sorted(name for name in folders if not name.startswith(".") and name not in KEPT_FOLDERS.values())


def find(archive: Path, name: str) -> Record:
    """The recording of that name, or whose name or raw SHA-256 begins like that; CallError unless it is one alone."""
    recordings = listing(archive).records
    fitting = [record for record in recordings if record["name"] == name] or [
        record
        for record in recordings
        if record["name"].startswith(name) or record["raw"]["sha256"].startswith(name.lower())
    ]
    if len(fitting) != 1:
        what = "more than one recording is" if fitting else "no recording is"
        raise CallError(f"{archive}: {what} called {name!r}; 'towertap archive list' tells the names")
    return fitting[0]


def select(
    recordings: list[Record], since: date | None = None, until: date | None = None, **conditions: str | None
) -> list[Record]:
    """Those whose conditions are the ones given, but for upper and lower case, and that began on a day in between.

    A day is the driver's: by the local time of the computer that recorded.
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
