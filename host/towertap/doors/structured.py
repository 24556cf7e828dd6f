"""The one way in for JSON and TOML: typed, finite and bounded, or one line that says what is wrong and where."""

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from towertap.doors.files import content
from towertap.errors import FileError

T = TypeVar("T")

DEEPEST = 32
"""Levels of objects and lists; nothing that is read here needs more than eight."""
LONGEST_REASON = 200
LARGEST_INTEGER = 2**63 - 1
MOST_JSON_BYTES = 64 * 2**20
MOST_TOML_BYTES = 2**14
"""Reading a long dotted key costs the square of its length: half a second at this size."""

_UNFIT = re.compile("[\0\ud800-\udfff]")  # what neither HDF5 nor UTF-8 can hold
_WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "a text",
    "bool": "true or false",
    "object": "an object of names and values",
    "array": "a list",
    "null": "nothing",
}


def read_json(path: Path, kind: type[T], wanted: str, most_bytes: int = MOST_JSON_BYTES) -> T:
    """A JSON file as a `kind` (a type, a dataclass or a msgspec Struct with its constraints); FileError in one line."""
    return from_json(content(path, wanted, most_bytes), kind, str(path), f"; give {wanted}")


def read_toml(path: Path, kind: type[T], wanted: str) -> T:
    """A TOML file as a `kind`; FileError in one line."""
    text = content(path, wanted, MOST_TOML_BYTES)
    try:
        value = tomllib.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise FileError(f"{path}: not TOML ({_one_line(error)}); give {wanted}") from None
    return typed(value, kind, str(path))


def from_json(text: bytes | str, kind: type[T], source: str, advice: str = "") -> T:
    """JSON text as a `kind`; `source` begins the one line of a FileError, `advice` ends it where it is no JSON."""
    try:
        value = msgspec.json.decode(text)
    except (ValueError, RecursionError) as error:
        raise FileError(f"{source}: not JSON ({_one_line(error)}){advice}") from None
    return typed(value, kind, source)


def typed(value: Any, kind: Any, source: str) -> Any:
    """A value made of dicts, lists, texts and numbers as a `kind`; FileError says where it is something else."""
    _hold_to_bounds(value, source)
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        raise FileError(f"{source}{_in_our_words(str(error))}") from None


def _hold_to_bounds(value: Any, source: str) -> None:
    """Refuse numbers that are not finite or beyond 64 bits, texts that no file can hold, and too many levels."""
    waiting = [(value, 0)]
    while waiting:
        item, depth = waiting.pop()
        if isinstance(item, dict | list):
            if depth == DEEPEST:
                raise FileError(f"{source}: nested deeper than {DEEPEST} levels")
            inside = [*item, *item.values()] if isinstance(item, dict) else item
            waiting += [(inner, depth + 1) for inner in inside]
        elif isinstance(item, str):
            if _UNFIT.search(item):
                raise FileError(f"{source}: a text with a character that no file can hold (NUL or half a pair)")
        elif isinstance(item, int | float) and not -LARGEST_INTEGER <= item <= LARGEST_INTEGER:
            raise FileError(f"{source}: a number that is not finite or too large")


def _in_our_words(message: str) -> str:
    """What msgspec says of a value of the wrong type, with the value's place first."""
    what, _, place = message.partition(" - at `$")
    place = place.rstrip("`").lstrip(".")
    what = re.sub(r"`([^`]+)`", lambda kinds: " or ".join(_WORDS.get(k, k) for k in kinds[1].split(" | ")), what)
    what = what.replace("Object missing required field", "lacks the entry")
    what = re.sub(r"of length (>=|<=) (\d+)", r"\1 \2 characters", what)
    for sign, words in {">=": "of at least", "<=": "of at most", ">": "above", "<": "below"}.items():
        what = what.replace(f" {sign} ", f" {words} ")
    what = re.sub(r"^Expected (.*?)(, got .*)?$", r"must be \1\2", what)
    return f": {place} {what}" if place else f" {what}"


def _one_line(error: Exception) -> str:
    if isinstance(error, RecursionError):
        return "nested too deep"
    reason = " ".join(str(error).split())
    return reason if len(reason) <= LONGEST_REASON else f"{reason[:LONGEST_REASON]} …"
