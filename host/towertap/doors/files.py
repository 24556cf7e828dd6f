"""Opens files for reading: regular files only, with a size limit for each kind, so that reading always ends."""

import errno
import hashlib
import os
import stat
from abc import ABC, abstractmethod
from pathlib import Path
from typing import BinaryIO, Self

from towertap.errors import FileError

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
_REASONS = {errno.ENOENT: "no such file", errno.EACCES: "no permission to read it", errno.ELOOP: "a link to itself"}


class Closing(ABC):
    """Base of objects that a `with` block closes at its end."""

    @abstractmethod
    def close(self) -> None:
        """Release what it holds open."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def sibling(path: Path, suffix: str) -> Path:
    """`path` with another suffix; FileError if `path` is a folder without a name (`.` or `/`)."""
    if not path.name:
        raise FileError(f"{path}: a folder; give a file")
    return path.with_suffix(suffix)


def size_of(path: Path, wanted: str, most_bytes: int | None = None) -> int:
    """Size of a regular file in bytes; FileError for anything else (a folder, a pipe, a device) or above `most_bytes`.

    `wanted` is what the error asks for instead, such as "a capture (.h5)".
    """
    try:
        status = os.stat(path)
    except (OSError, ValueError) as error:  # ValueError: the name contains a NUL
        raise FileError(f"{path}: {_reason(error)}; give {wanted}") from None
    if not stat.S_ISREG(status.st_mode):
        what = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
        raise FileError(f"{path}: {what}; give {wanted}")
    if most_bytes is not None and status.st_size > most_bytes:
        raise FileError(f"{path}: {status.st_size:,} bytes, larger than {wanted} can be ({most_bytes:,})")
    return status.st_size


def opened(path: Path, wanted: str, most_bytes: int | None = None) -> BinaryIO:
    """The file, open for reading; the same errors as `size_of`."""
    size_of(path, wanted, most_bytes)
    try:
        return os.fdopen(os.open(path, _FLAGS), "rb")  # does not block if a pipe has taken its place meanwhile
    except OSError as error:
        raise FileError(f"{path}: {_reason(error)}; give {wanted}") from None


def content(path: Path, wanted: str, most_bytes: int) -> bytes:
    """All bytes of a file of at most `most_bytes`; FileError if they cannot be read."""
    with opened(path, wanted, most_bytes) as file:
        try:
            return file.read(most_bytes)
        except OSError as error:
            raise FileError(f"{path}: {_reason(error)}; give {wanted}") from None


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    with opened(path, "a file of a recording") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]  # it is a buffered file


def _reason(error: OSError | ValueError) -> str:
    if not isinstance(error, OSError):
        return "not a file name"
    return _REASONS.get(error.errno or 0, "") or (error.strerror or "cannot be read").lower()
