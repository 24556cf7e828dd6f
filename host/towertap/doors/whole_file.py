"""Writes files atomically: a file appears complete or not at all, and is synced to the disk."""

import errno
import glob
import json
import os
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

NO_ROOM = (errno.ENOSPC, errno.EFBIG, errno.EDQUOT)
"""Out of space: the disk is full, the file system allows no larger file, or a quota is used up."""
LEFT_OVER_S = 600.0
"""A part file this old was left by a killed process."""


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A hidden file next to `path` to write to; it is synced and renamed to `path` when the block ends without error.

    Concurrent writers do not clash: the last one wins. Files left by killed writers of `path` are removed.
    """
    _remove_left_overs(path)
    part = path.with_name(f".{path.name[:200]}.{secrets.token_hex(4)}.part")
    try:
        with no_room_named(path):
            yield part
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            os.replace(part, path)
    except OSError as error:
        if error.filename in (part, str(part)):  # a name the user never gave
            error.filename = str(path)
        raise
    finally:
        part.unlink(missing_ok=True)


def write_json(path: Path, data: Any) -> None:
    """Write `data` as indented JSON, atomically."""
    with whole_file(path) as part:
        part.write_text(json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n", "utf-8")


@contextmanager
def no_room_named(path: Path) -> Iterator[None]:
    """Make an out-of-space OSError name `path`; the system names no file, or the one being copied from."""
    try:
        yield
    except OSError as error:
        if error.errno in NO_ROOM:
            error.filename, error.strerror = str(path), os.strerror(error.errno)
        raise


def _remove_left_overs(path: Path) -> None:
    for part in path.parent.glob(f".{glob.escape(path.name[:200])}.*.part"):
        with suppress(OSError):  # another process may be removing it too
            if part.stat().st_mtime < time.time() - LEFT_OVER_S:
                part.unlink()


def allocate(path: Path, size: int) -> None:
    """Extend a file to `size` bytes and reserve the disk blocks, so that later writes cannot run out of space; OSError.

    A system without such a call checks the free space instead.
    """
    with path.open("r+b") as file:
        if hasattr(os, "posix_fallocate"):
            try:
                return os.posix_fallocate(file.fileno(), 0, size)
            except OSError as error:
                if error.errno not in (errno.EOPNOTSUPP, errno.EINVAL):
                    raise
        if shutil.disk_usage(path.parent).free < size - path.stat().st_size:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        file.truncate(size)
