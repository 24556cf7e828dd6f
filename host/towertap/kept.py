"""Results kept from one run to the next: what a capture was read to, so long as nothing that it rests on has changed.

Each is one file, in a hidden folder beside its capture or, where nothing may be added there, in the user's cache. It
is held to its own SHA-256 and to a key of all that it was made from, this program included; whatever is not as it
should be is made again. To delete one loses nothing but time.
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
    """What was made for some `use` by some `settings`, told from others by their repr, kept beside a capture.

    It was made of `files`, which are the capture where none are given.
    """

    def __init__(self, capture: Path, use: str, settings: object, files: Sequence[Path] | None = None) -> None:
        self._capture, self._use, self._settings = capture, use, settings
        self._files = (capture,) if files is None else files
        self._key = self._made_from()

    def look_up(self, kind: Any) -> Any:
        """What was kept, of a `kind` made of dataclasses, arrays and plain data; None where nothing can be."""
        for place in self._places():
            with suppress(FileError, OSError, ValueError, TypeError):  # nothing there, or nothing to be trusted
                with opened(place, "a result that was kept") as file:
                    content = file.read()
                body = content[DIGEST_BYTES:]
                if hashlib.sha256(body).digest() == content[:DIGEST_BYTES] and body[:DIGEST_BYTES] == self._key:
                    plain = msgspec.msgpack.decode(body[DIGEST_BYTES:])
                    return msgspec.convert(plain, kind, builtin_types=(bytes,), dec_hook=_typed)
        return None

    def keep(self, result: Any) -> None:
        """Keep what was made since, unless the files have changed; safe against others that keep the same."""
        if self._key != self._made_from():
            return
        content = packed(result)
        digest = hashlib.sha256(self._key)
        digest.update(content)
        for place in self._places():
            with suppress(OSError):
                place.parent.mkdir(parents=True, exist_ok=True)
                with whole_file(place) as part, part.open("wb") as file:
                    file.writelines((digest.digest(), self._key, content))
                return

    def _made_from(self) -> bytes:
        """The key; random bytes, which nothing was kept by, where a file cannot be read."""
        try:
            files = [sha256_of(path) for path in self._files]
        except FileError:
            return secrets.token_bytes(DIGEST_BYTES)
        return hashlib.sha256(repr((files, self._settings, _program())).encode()).digest()

    def _places(self) -> Iterator[Path]:
        """Where a result may lie: beside the capture, unless that is archived, or else in the user's cache."""
        if not is_archived(self._capture):
            yield self._capture.parent / FOLDER / f"{self._capture.name}.{self._use}"
        where = hashlib.sha256(str(self._capture.absolute()).encode()).hexdigest()[:32]
        yield user_cache_path("towertap", appauthor=False) / f"{where}.{self._use}"


def packed(result: Any) -> bytes:
    """What is made of dataclasses, arrays and plain data as bytes, which are equal where it is equal."""
    return msgspec.msgpack.encode(msgspec.to_builtins(result, builtin_types=(bytes,), enc_hook=_plain))


@cache
def _program() -> str:
    """The code of this program and the libraries that calculate, to the last line."""
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
