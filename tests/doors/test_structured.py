"""JSON and TOML are read into typed, finite and bounded values; anything else gives one line that says where."""

from dataclasses import dataclass
from typing import Annotated, Any

import pytest
from msgspec import Meta
from towertap.doors.structured import from_json, read_json, read_toml, typed
from towertap.errors import FileError


@dataclass(frozen=True)
class Drive:
    road: Annotated[str, Meta(max_length=10)] = ""
    number: Annotated[int, Meta(ge=1, le=9999)] | None = None
    speed_kmh: float | None = None


def test_valid_json_is_read_as_its_type():
    assert from_json('{"road": "bypass", "number": 3, "speed_kmh": 50}', Drive, "x") == Drive("bypass", 3, 50.0)
    assert isinstance(from_json('{"speed_kmh": 50}', Drive, "x").speed_kmh, float)


HOSTILE = {
    '{"number": ' + "9" * 400 + "}": "not finite or too large",
    '{"number": ' + "9" * 6000 + "}": "drive",  # beyond what Python itself converts
    '{"speed_kmh": 1e999}': "drive",
    '{"speed_kmh": NaN}': "not JSON",
    '{"speed_kmh": true}': "speed_kmh must be a number or nothing, got true or false",
    '{"number": "three"}': "number must be a whole number or nothing, got text",
    '{"number": 0}': "number must be a whole number of at least 1",
    '{"road": "quarry-lane, patched"}': "road must be text of at most 10 characters",
    '{"road": "\\u0000"}': "NUL or a lone surrogate",
    '{"notes": "\\u0000"}': "NUL or a lone surrogate",
    "[" * 100_000: "nested too deeply",
    '{"a":' * 60 + "1" + "}" * 60: "deeper than 32 levels",
    "[1]": "drive.json must be an object, got a list",
    "": "not JSON",
    "\ud800": "not JSON",
}


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_invalid_json_gives_one_short_line(text):
    with pytest.raises(FileError, match=HOSTILE[text]) as failure:
        from_json(text.encode("utf-8", "surrogatepass"), Drive, "drive.json")
    assert str(failure.value).startswith("drive.json")
    assert "\n" not in str(failure.value)
    assert len(str(failure.value)) < 200


HOSTILE_TOML = [
    "a = " + "[" * 50_000,
    ".".join("a" * 5000) + " = 1",
    "x = inf",
    "x = 0x" + "f" * 400,
    "x = ",
    "\xff",
    "a=1\n" * 9999,
]


@pytest.mark.parametrize("text", HOSTILE_TOML, ids=range(len(HOSTILE_TOML)))
def test_hostile_toml_gives_one_short_line(text, tmp_path):
    (tmp_path / "day.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(FileError, match=r"day\.toml") as failure:
        read_toml(tmp_path / "day.toml", dict[str, Any], "a TOML file of conditions")
    assert len(str(failure.value)) < 300 + len(str(tmp_path))


def test_files_of_both_kinds_are_read(tmp_path):
    (tmp_path / "a.toml").write_text('road = "bypass"\nspeed_kmh = 50', "utf-8")
    (tmp_path / "a.json").write_text('{"road": "bypass", "speed_kmh": 50}', "utf-8")
    assert read_toml(tmp_path / "a.toml", Drive, "a file") == read_json(tmp_path / "a.json", Drive, "a file")


def test_a_value_already_parsed_is_checked_in_the_same_way():
    assert typed({"number": 2}, Drive, "x").number == 2
    with pytest.raises(FileError, match="x: number must be"):
        typed({"number": 2.5}, Drive, "x")
    with pytest.raises(FileError, match="not finite"):
        typed(float("nan"), float, "x")
