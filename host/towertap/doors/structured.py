"""Reads JSON and TOML into typed, finite and bounded values, or says in one line what is wrong and where."""

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from towertap.doors.files import content
from towertap.errors import FileError

T = TypeVar("T")

DEEPEST = 32
"""Levels of nested objects and lists; the files read here need at most eight."""
LONGEST_REASON = 200
LARGEST_INTEGER = 2**63 - 1
MOST_JSON_BYTES = 64 * 2**20
MOST_TOML_BYTES = 2**14
"""The time to parse a dotted key grows with the square of its length: half a second at this size."""

_UNSTORABLE = re.compile("[\0\ud800-\udfff]")  # HDF5 cannot store NUL, nor UTF-8 a lone surrogate
_TYPE_NAMES = {
    "int": "a whole number",
    "float": "a number",
    "str": "text",
    "bool": "true or false",
    "object": "an object",
    "array": "a list",
    "null": "nothing",
}


def read_json(path: Path, kind: type[T], wanted: str, most_bytes: int = MOST_JSON_BYTES) -> T:
    """Read a JSON file as a `kind`: a type, a dataclass or a msgspec Struct with its constraints; FileError."""
    return from_json(content(path, wanted, most_bytes), kind, str(path), f"; give {wanted}")


def read_toml(path: Path, kind: type[T], wanted: str) -> T:
    """Read a TOML file as a `kind`; FileError."""
    text = content(path, wanted, MOST_TOML_BYTES)
    try:
        value = tomllib.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise FileError(f"{path}: not TOML ({_one_line(error)}); give {wanted}") from None
    return typed(value, kind, str(path))


def from_json(text: bytes | str, kind: type[T], source: str, advice: str = "") -> T:
    """JSON text as a `kind`. A FileError begins with `source`, and ends with `advice` if the text is not JSON."""
    try:
        value = msgspec.json.decode(text)
    except (ValueError, RecursionError) as error:
        raise FileError(f"{source}: not JSON ({_one_line(error)}){advice}") from None
    return typed(value, kind, source)


def typed(value: Any, kind: Any, source: str) -> Any:
    """A value of dicts, lists, strings and numbers as a `kind`; FileError says where it does not fit."""
    _check_bounds(value, source)
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        raise FileError(f"{source}{_plain_words(str(error))}") from None


def _check_bounds(value: Any, source: str) -> None:
    """Refuse numbers that are not finite or exceed 64 bits, strings that cannot be stored, and deep nesting."""
    pending = [(value, 0)]
    while pending:
        item, depth = pending.pop()
        if isinstance(item, dict | list):
            if depth == DEEPEST:
                raise FileError(f"{source}: nested deeper than {DEEPEST} levels")
            children = [*item, *item.values()] if isinstance(item, dict) else item
            pending += [(child, depth + 1) for child in children]
        elif isinstance(item, str):
            if _UNSTORABLE.search(item):
                raise FileError(f"{source}: text with a character that cannot be stored (NUL or a lone surrogate)")
        elif isinstance(item, int | float) and not -LARGEST_INTEGER <= item <= LARGEST_INTEGER:
            raise FileError(f"{source}: a number that is not finite or too large")


def _plain_words(message: str) -> str:
    """The message of msgspec about a value of the wrong type, with the path to the value first."""
    what, _, path = message.partition(" - at `$")
    path = path.rstrip("`").lstrip(".")
    what = re.sub(r"`([^`]+)`", lambda kinds: " or ".join(_TYPE_NAMES.get(k, k) for k in kinds[1].split(" | ")), what)
    what = what.replace("Object missing required field", "lacks the entry")
    what = re.sub(r"of length (>=|<=) (\d+)", r"\1 \2 characters", what)
    for sign, words in {">=": "of at least", "<=": "of at most", ">": "above", "<": "below"}.items():
        what = what.replace(f" {sign} ", f" {words} ")
    what = re.sub(r"^Expected (.*?)(, got .*)?$", r"must be \1\2", what)
    return f": {path} {what}" if path else f" {what}"


def _one_line(error: Exception) -> str:
    if isinstance(error, RecursionError):
        return "nested too deeply"
    reason = " ".join(str(error).split())
    return reason if len(reason) <= LONGEST_REASON else f"{reason[:LONGEST_REASON]} …"
