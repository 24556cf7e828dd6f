"""Verifies every byte of an archive, or says which file of which recording is damaged."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from towertap.archive import record as records
from towertap.archive.adding import ADDING
from towertap.archive.record import KEPT_FOLDERS, LIST, damage, damages, kept_of, read_record
from towertap.archive.store import (
    DAMAGED,
    GONE,
    INDEX,
    LOCK,
    REBUILT,
    from_records,
    index_of,
    listing,
    merged,
    names,
    refuse_any_folder,
)
from towertap.errors import FileError

UNDER_WAY = "an add is in progress or was killed; the next one removes what it left"

Progress = Callable[[int, int], None]
"""Called with recordings done and total recordings."""


@dataclass(frozen=True)
class Problem:
    """Something in an archive that is not as it was added."""

    recording: str
    """Empty for the archive itself."""
    file: str
    what: str

    def __str__(self) -> str:
        return f"{'/'.join(filter(None, (self.recording, self.file)))}: {self.what}"


@dataclass(frozen=True)
class Verification:
    """Result of `verify`."""

    recordings: int
    problems: list[Problem]
    remarks: list[str]
    """What `verify` cannot know."""

    def data(self) -> dict[str, Any]:
        """The answer for JSON."""
        return {"whole": not self.problems, **asdict(self)}


def verify(archive: Path, *, on_progress: Progress | None = None) -> Verification:
    """Read every byte of an archive and check it against the records; CallError if it is not an archive.

    A missing index is rebuilt, and a remark says so.
    """
    refuse_any_folder(archive)
    folders, problems = names(archive), []
    for k, name in enumerate(folders):
        problems += _verify_recording(archive / name)
        if on_progress:
            on_progress(k + 1, len(folders))
    problems += _verify_rest(archive, set(folders)) + _verify_kept(archive)
    remarks = [f"{place.name}: {UNDER_WAY}" for place in sorted(archive.glob(f"{ADDING}*"))]
    if not (archive / INDEX).exists():
        remarks.append(REBUILT)
        listing(archive)
    return Verification(len(folders), problems, remarks)


def _verify_recording(folder: Path) -> list[Problem]:
    name = folder.name
    try:
        record = read_record(folder)
    except FileError as error:
        return [Problem(name, records.NAME, str(error).rsplit(": ", 1)[-1] + "; the other files cannot be judged")]
    if record["name"] != name:
        return [Problem(name, records.NAME, f"belongs to {record['name']}; give the folder that name again")]
    strange = sorted({entry.name for entry in folder.iterdir()} - set(record["files"]) - {records.NAME})
    wrong = dict.fromkeys(strange, "not part of the recording; move it away") | damages(folder, record)
    return [Problem(name, file, what) for file, what in wrong.items()]


def _verify_rest(archive: Path, recordings: set[str]) -> list[Problem]:
    """Problems of everything in the archive except the recordings."""
    problems = []
    for entry in sorted(archive.iterdir()):
        if entry.name == INDEX:
            problems += _verify_index(archive)
        elif entry.name not in (*recordings, *KEPT_FOLDERS.values(), LIST, LOCK) and not entry.name.startswith(ADDING):
            problems.append(Problem("", entry.name, "not part of the archive; move it away"))
    return problems


def _verify_kept(archive: Path) -> list[Problem]:
    """Problems of plans and bench records: each must be in the list with its SHA-256, and no others may be there."""
    try:
        kept = kept_of(archive)
    except FileError:
        return [Problem("", LIST, "damaged; the plans and bench records cannot be judged")]
    problems = [Problem("", place, what) for place, stored in kept.items() if (what := damage(archive / place, stored))]
    files = [path for folder in KEPT_FOLDERS.values() for path in (archive / folder).glob("*")]
    unlisted = sorted({str(path.relative_to(archive)) for path in files} - set(kept))
    return problems + [Problem("", place, "not in the list; add it, or move it away") for place in unlisted]


def _verify_index(archive: Path) -> list[Problem]:
    """Problems of the index: recordings that are gone, and records that differ from those of the recordings."""
    index = index_of(archive)
    if index is None:
        return [Problem("", INDEX, DAMAGED)]
    recordings = from_records(archive)
    problems = [Problem(record["name"], "", GONE) for record in recordings.gone]
    if index != merged(recordings.records, index):
        advice = "restore what is gone first" if recordings.gone else "delete it to rebuild it"
        problems.append(Problem("", INDEX, f"does not match the records; {advice}"))
    return problems
