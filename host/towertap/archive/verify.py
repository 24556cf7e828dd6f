"""Proves an archive whole, to the bit, or says which file of which recording is not."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from towertap.archive import record as records
from towertap.archive.adding import ADDING
from towertap.archive.record import KEPT_FOLDERS, LIST, damage, damages, kept_of, read_record
from towertap.archive.store import (
    GONE,
    INDEX,
    LOCK,
    WITHOUT_INDEX,
    from_records,
    index_of,
    listing,
    names,
    refuse_any_folder,
    with_others,
)
from towertap.errors import FileError

UNDER_WAY = "an add is under way, or was killed: the next one removes what it left"

Progress = Callable[[int, int], None]
"""Called with recordings done and recordings in all."""


@dataclass(frozen=True)
class Problem:
    """Something in an archive that is not as it was added."""

    recording: str
    """Empty for what belongs to the archive as a whole."""
    file: str
    what: str

    def __str__(self) -> str:
        return f"{'/'.join(filter(None, (self.recording, self.file)))}: {self.what}"


@dataclass(frozen=True)
class Verification:
    """What `verify` found."""

    recordings: int
    problems: list[Problem]
    remarks: list[str]
    """What the verification cannot know."""

    def data(self) -> dict[str, Any]:
        """The answer for JSON."""
        return {"whole": not self.problems, **asdict(self)}


def verify(archive: Path, *, on_progress: Progress | None = None) -> Verification:
    """Read every byte of an archive and hold it to the records. CallError where no archive is.

    An index that is missing is made anew, and a remark says so.
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
        remarks.append(WITHOUT_INDEX)
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
    there = {entry.name for entry in folder.iterdir()}
    strange = sorted(there - set(record["files"]) - {records.NAME})
    wrong = dict.fromkeys(strange, "is no part of the recording; move it away") | damages(folder, record)
    return [Problem(name, file, what) for file, what in wrong.items()]


def _verify_rest(archive: Path, recordings: set[str]) -> list[Problem]:
    """What lies in the archive beside its recordings."""
    problems = []
    for entry in sorted(archive.iterdir()):
        if entry.name == INDEX:
            problems += _verify_index(archive)
        elif entry.name not in (*recordings, *KEPT_FOLDERS.values(), LIST, LOCK) and not entry.name.startswith(ADDING):
            problems.append(Problem("", entry.name, "is no part of the archive; move it away"))
    return problems


def _verify_kept(archive: Path) -> list[Problem]:
    """Plans and bench records: each in the list with its sum, and nothing beside."""
    try:
        kept = kept_of(archive)
    except FileError:
        return [Problem("", LIST, "damaged; the plans and bench records cannot be judged")]
    problems = [Problem("", place, what) for place, stored in kept.items() if (what := damage(archive / place, stored))]
    there = {
        str(path.relative_to(archive)) for folder in KEPT_FOLDERS.values() for path in (archive / folder).glob("*")
    }
    return problems + [
        Problem("", place, "is not in the list; add it, or move it away") for place in sorted(there - set(kept))
    ]


def _verify_index(archive: Path) -> list[Problem]:
    """What the index holds and is gone; and whether it says of the others what their records say."""
    index = index_of(archive)
    if index is None:
        lost = "a recording lost before that is not known then"
        return [Problem("", INDEX, f"damaged; delete it, and it is made anew: {lost}")]
    recordings = from_records(archive)
    problems = [Problem(record["name"], "", GONE) for record in recordings.gone]
    if index != with_others(recordings.records, index):
        mend = "bring back what is gone first" if recordings.gone else "delete it, and it is made anew"
        problems.append(Problem("", INDEX, f"not what the records say; {mend}"))
    return problems
