"""The one way in for files: regular ones of a size that their kind may have, so that reading ends."""

import errno
import hashlib
import os
import stat
from abc import ABC, abstractmethod
from pathlib import Path
from typing import BinaryIO, Self

from towertap.errors import FileError

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
_WORDS = {errno.ENOENT: "no such file", errno.EACCES: "no right to read it", errno.ELOOP: "a link that leads to itself"}


class Closing(ABC):
    """What is closed at the end of a `with` block."""

    @abstractmethod
    def close(self) -> None:
        """Let go of it."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def sibling(path: Path, suffix: str) -> Path:
    """The file beside `path` of the same name with another suffix; FileError where that names a folder: `.`, `/`."""
    if not path.name:
        raise FileError(f"{path}: a folder; give a file")
    return path.with_suffix(suffix)


def size_of(path: Path, wanted: str, most_bytes: int | None = None) -> int:
    """Bytes of a regular file; FileError in one line for whatever else `path` names: a folder, a pipe, a device.

    `wanted` says what to give instead, such as "a capture (.h5)"; a file larger than `most_bytes` cannot be one.
    """
    try:
        status = os.stat(path)
    except (OSError, ValueError) as error:  # ValueError: a name with a NUL in it
        raise FileError(f"{path}: {_why(error)}; give {wanted}") from None
    if not stat.S_ISREG(status.st_mode):
        what = "a folder" if stat.S_ISDIR(status.st_mode) else "a pipe, a device or the like"
        raise FileError(f"{path}: {what}; give {wanted}")
    if most_bytes is not None and status.st_size > most_bytes:
        raise FileError(f"{path}: {status.st_size:,} bytes, larger than {wanted} can be ({most_bytes:,})")
    return status.st_size


def opened(path: Path, wanted: str, most_bytes: int | None = None) -> BinaryIO:
    """The file, open for reading, held to the rules of `size_of`."""
    size_of(path, wanted, most_bytes)
    try:
        return os.fdopen(os.open(path, _FLAGS), "rb")  # a pipe put there meanwhile does not block
    except OSError as error:
        raise FileError(f"{path}: {_why(error)}; give {wanted}") from None


def content(path: Path, wanted: str, most_bytes: int) -> bytes:
    """All bytes of a file that is no larger than `most_bytes`; FileError in one line when they cannot be read."""
    with opened(path, wanted, most_bytes) as file:
        try:
            return file.read(most_bytes)
        except OSError as error:
            raise FileError(f"{path}: {_why(error)}; give {wanted}") from None


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    with opened(path, "a file of a recording") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]  # a buffered file it is


def _why(error: OSError | ValueError) -> str:
    if not isinstance(error, OSError):
        return "no name of a file"
    return _WORDS.get(error.errno or 0, "") or (error.strerror or "cannot be read").lower()
