"""The one way out to a file: it appears whole or not at all, however the writing ends, and on a disk that holds it."""

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
"""Why a disk takes no more: it is full, its file system holds no larger file, or nobody may have more of it."""
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
        with no_room_named(path):
            yield part
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            os.replace(part, path)
    except OSError as error:
        if error.filename in (part, str(part)):  # nobody named that
            error.filename = str(path)
        raise
    finally:
        part.unlink(missing_ok=True)


def write_json(path: Path, data: Any) -> None:
    """Write what JSON can hold, indented, whole or not at all."""
    with whole_file(path) as part:
        part.write_text(json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n", "utf-8")


@contextmanager
def no_room_named(path: Path) -> Iterator[None]:
    """OSError for want of room in the system's words, of `path`: it names no file, or the one that was copied."""
    try:
        yield
    except OSError as error:
        if error.errno in NO_ROOM:
            error.filename, error.strerror = str(path), os.strerror(error.errno)
        raise


def _remove_left_overs(path: Path) -> None:
    for part in path.parent.glob(f".{glob.escape(path.name[:200])}.*.part"):
        with suppress(OSError):  # another may remove it at the same time
            if part.stat().st_mtime < time.time() - LEFT_OVER_S:
                part.unlink()


def allocate(path: Path, size: int) -> None:
    """Give a file blocks for `size` bytes, so that no write into them meets a full disk; OSError where it has no room.

    The file becomes so long. Where the system has no such call, the free space is looked at instead.
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
