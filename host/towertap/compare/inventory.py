"""What is in a folder of drives: every recording, its written conditions, and whether it can be used."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from towertap.capture.conditions import Conditions, read_sidecar
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.compare.drives.reading import began, why_unusable
from towertap.compare.plan.plan import Plan, PlannedDrive
from towertap.errors import FileError, TowertapError


@dataclass(frozen=True)
class Entry:
    """One recording of a folder; `problem` says why no comparison would use it, empty if one would.

    `seconds` and `integrity` are None without a readable capture; `marks` are the texts of its marks.
    """

    path: Path
    conditions: Conditions
    problem: str
    started: datetime | None = None
    integrity: Integrity | None = None
    marks: tuple[str, ...] = ()
    is_struck_out: bool = False
    raw_sha256: str = ""

    @property
    def seconds(self) -> float | None:
        return self.integrity.seconds if self.integrity else None

    @property
    def key(self) -> tuple[str, str, int | None]:
        return self.conditions.part, self.conditions.road, self.conditions.pass_number


def inventory(folder: Path, on_progress: Callable[[int, int], None] = lambda done, total: None) -> list[Entry]:
    """The recordings of a folder in the order in which they began; those without a start time come last."""
    captures = sorted(folder.glob("*.h5"))
    stems = {path.stem for path in captures}
    entries = [_undecoded(path) for path in sorted(folder.glob("*.ttraw")) if path.stem not in stems]
    for done, path in enumerate(captures):
        on_progress(done, len(captures))
        entries.append(entry_of(path))
    return sorted(entries, key=lambda entry: (entry.started.timestamp() if entry.started else math.inf, entry.path))


def entry_of(capture_path: Path) -> Entry:
    try:
        with open_capture(capture_path) as capture:
            integrity, struck = check(capture), capture.struck_out
            unusable = struck.words if struck else why_unusable(capture, integrity)
            marks = tuple(text.decode("utf-8", "replace") for text in capture.marks["text"])
            conditions, started, raw_sha256 = capture.conditions, began(capture), capture.text("raw_sha256")
    except TowertapError as error:
        return Entry(capture_path, Conditions(), str(error).removeprefix(f"{capture_path}: "))
    unsaid = [name for name in ("part", "road") if not getattr(conditions, name)]
    options = " and ".join(f"--{name}" for name in unsaid)
    unsaid_words = f"does not say its {' and '.join(unsaid)}: give {options} to 'towertap correct'" if unsaid else ""
    problem = "; ".join(filter(None, (unusable, unsaid_words)))
    return Entry(capture_path, conditions, problem, started, integrity, marks, bool(struck), raw_sha256)


def lacking(plan: Plan, entries: Iterable[Entry], position: str = "") -> list[PlannedDrive]:
    """The planned drives without a usable recording by a box at `position`, if the drives had two."""
    driven = {
        entry.key
        for entry in entries
        if not entry.problem
        and (entry.conditions.box_position == position or not (entry.conditions.box_position and position))
    }
    return [drive for drive in plan.drives if drive.key not in driven]


def _undecoded(raw: Path) -> Entry:
    try:
        conditions = read_sidecar(raw)["conditions"]
    except FileError as error:
        return Entry(raw, Conditions(), str(error))
    return Entry(raw, conditions, "has no capture yet: make it with 'towertap decode'")
