"""Keeps results from one run to the next, valid as long as nothing they were computed from has changed.

Each result is one file, in a hidden folder next to its capture or, if nothing may be added there, in the user's cache.
It is checked against its own SHA-256 and a key of everything it depends on, including this program. A result that fails
either check is computed again, so deleting one costs only time.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterator, Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, get_origin

import msgspec
import numpy as np
import scipy
from platformdirs import user_cache_path

from towertap.archive.record import is_archived
from towertap.doors.files import opened, sha256_of
from towertap.doors.whole_file import whole_file
from towertap.errors import FileError

FOLDER = ".towertap"
DIGEST_BYTES = 32


class Kept:
    """The kept result of one `use` of a capture. It depends on `files` (default: the capture) and repr(`settings`)."""

    def __init__(self, capture: Path, use: str, settings: object, files: Sequence[Path] | None = None) -> None:
        self._capture, self._use, self._settings = capture, use, settings
        self._files = (capture,) if files is None else files
        self._key = self._make_key()

    def look_up(self, kind: Any) -> Any:
        """The kept result as a `kind` made of dataclasses, arrays and plain data; None if there is no valid one."""
        for path in self._paths():
            with suppress(FileError, OSError, ValueError, TypeError):  # missing or invalid
                with opened(path, "a kept result") as file:
                    content = file.read()
                body = content[DIGEST_BYTES:]
                if hashlib.sha256(body).digest() == content[:DIGEST_BYTES] and body[:DIGEST_BYTES] == self._key:
                    plain = msgspec.msgpack.decode(body[DIGEST_BYTES:])
                    return msgspec.convert(plain, kind, builtin_types=(bytes,), dec_hook=_typed)
        return None

    def keep(self, result: Any) -> None:
        """Keep a result, unless the files have changed meanwhile; safe if other processes keep the same one."""
        if self._key != self._make_key():
            return
        content = packed(result)
        digest = hashlib.sha256(self._key)
        digest.update(content)
        for path in self._paths():
            with suppress(OSError):
                path.parent.mkdir(parents=True, exist_ok=True)
                with whole_file(path) as part, part.open("wb") as file:
                    file.writelines((digest.digest(), self._key, content))
                return

    def _make_key(self) -> bytes:
        """Hash of everything the result depends on; random, so that it matches nothing, if a file cannot be read."""
        try:
            files = [sha256_of(path) for path in self._files]
        except FileError:
            return secrets.token_bytes(DIGEST_BYTES)
        return hashlib.sha256(repr((files, self._settings, _program())).encode()).digest()

    def _paths(self) -> Iterator[Path]:
        """Where the result may be: next to the capture unless that is archived, then in the user's cache."""
        if not is_archived(self._capture):
            yield self._capture.parent / FOLDER / f"{self._capture.name}.{self._use}"
        name = hashlib.sha256(str(self._capture.absolute()).encode()).hexdigest()[:32]
        yield user_cache_path("towertap", appauthor=False) / f"{name}.{self._use}"


def packed(result: Any) -> bytes:
    """Dataclasses, arrays and plain data as bytes; equal results give equal bytes."""
    return msgspec.msgpack.encode(msgspec.to_builtins(result, builtin_types=(bytes,), enc_hook=_plain))


@cache
def _program() -> str:
    """Hash of this program's source code and the versions of the numerical libraries."""
    digest = hashlib.sha256(f"numpy {np.__version__}, scipy {scipy.__version__}".encode())
    for path in sorted(Path(__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return {"dtype": value.dtype.str, "shape": value.shape, "data": value.tobytes()}
    if isinstance(value, Path):
        return str(value)
    raise NotImplementedError(type(value))


def _typed(kind: Any, plain: Any) -> Any:
    if (get_origin(kind) or kind) is np.ndarray:
        return np.frombuffer(bytearray(plain["data"]), plain["dtype"]).reshape(plain["shape"])
    if kind is Path:
        return Path(plain)
    raise NotImplementedError(kind)
