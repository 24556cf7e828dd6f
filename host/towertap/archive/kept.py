"""What an archive keeps beside its recordings: plans and bench records, each with its sum in one sealed list."""

from pathlib import Path
from typing import Any

from towertap.archive.record import Sum, seal, sum_of, unseal
from towertap.doors.files import content
from towertap.doors.structured import read_json, typed
from towertap.doors.whole_file import whole_file
from towertap.errors import FileError

LIST = "kept.json"
FOLDERS = {"towertap-plan": "plans", "towertap bench record": "bench"}
"""What a file's `schema` says → the folder that it is kept in."""
MOST_BYTES = 2**24
WANTED = "a plan or a bench record (.json)"


def is_kept_kind(path: Path) -> bool:
    """Whether a file is a plan or a bench record."""
    try:
        return read_json(path, dict[str, Any], WANTED, MOST_BYTES).get("schema") in FOLDERS
    except FileError:
        return False


def keep(archive: Path, path: Path) -> tuple[str, bool]:
    """Keep a copy; (its place in the archive, whether it is new). FileError when another of that name is there."""
    kind = read_json(path, dict[str, Any], WANTED, MOST_BYTES).get("schema")
    if kind not in FOLDERS:
        raise FileError(f"{path}: no plan and no bench record; give {WANTED}")
    place = f"{FOLDERS[kind]}/{path.name}"
    kept, sum_ = kept_of(archive), sum_of(path)
    if place in kept:
        if kept[place] != sum_:
            raise FileError(f"{archive / place}: another one of that name is kept already; give this one another name")
        return place, False
    (archive / place).parent.mkdir(parents=True, exist_ok=True)
    with whole_file(archive / place) as part:
        part.write_bytes(content(path, WANTED, MOST_BYTES))
    with whole_file(archive / LIST) as part:
        part.write_text(seal({**kept, place: sum_}), "utf-8")
    return place, True


def kept_of(archive: Path) -> dict[str, Any]:
    """Place in the archive → length and SHA-256 of all that is kept; FileError when the list is damaged."""
    if not (archive / LIST).exists():
        return {}
    kept: dict[str, Any] = unseal(archive / LIST)
    typed(kept, dict[str, Sum], str(archive / LIST))
    return kept
