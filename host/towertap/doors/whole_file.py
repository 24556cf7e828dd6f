"""Files that appear whole or not at all, however the writing ends."""

from __future__ import annotations

import glob
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

LEFT_OVER_S = 600.0
"""A part that nobody has written to for so long was left by a process that was killed."""


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A hidden place beside `path` to write in its stead; it becomes `path`, synced, when the block ends well.

    Two writers of one path do not meet: the last to end stays. What killed writers of `path` left is removed.
    """
    _remove_left_overs(path)
    part = path.with_name(f".{path.name[:200]}.{secrets.token_hex(4)}.part")
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def _remove_left_overs(path: Path) -> None:
    for part in path.parent.glob(f".{glob.escape(path.name[:200])}.*.part"):
        with suppress(OSError):  # another may remove it at the same time
            if part.stat().st_mtime < time.time() - LEFT_OVER_S:
                part.unlink()
