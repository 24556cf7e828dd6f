"""What was known before the drive: asked once, kept in a file beside the raw recording and in the capture itself."""

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Self, get_type_hints

import msgspec
from msgspec import Meta

from towertap.doors.files import sibling
from towertap.doors.structured import read_json, typed
from towertap.doors.whole_file import whole_file
from towertap.errors import FileError

LARGEST_SIDECAR = 10_000_000
Words = Annotated[str, Meta(max_length=2000)]


@dataclass(frozen=True)
class Conditions:
    """The conditions of one pass. An empty text or None means that it was not said."""

    vehicle: Words = ""
    part: Words = ""
    """The part fitted, by the name that `compare --before/--after` uses."""
    road: Words = ""
    pass_number: Annotated[int, Meta(ge=1, le=9999)] | None = None
    speed_kmh: Annotated[float, Meta(ge=0, le=400)] | None = None
    """The speed aimed at."""
    tyre_pressures_kpa: Words = ""
    """As read, front left, front right, rear left, rear right: "250, 250, 300, 300"."""
    air_temperature_c: Annotated[float, Meta(ge=-60, le=60)] | None = None
    box_position: Words = ""
    mounting: Words = ""
    """Chip axis along each vehicle axis (ISO 8855), "x=+X,y=+Y,z=+Z"."""
    notes: Words = ""

    def __post_init__(self) -> None:
        """Hold every field to its type and range; FileError names the one that is wrong."""
        for name, kind in _kinds().items():
            object.__setattr__(self, name, typed(getattr(self, name), kind, f"conditions: {name}"))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """From a mapping such as a JSON object; keys that are not a field are refused by name."""
        unknown = set(data) - {field.name for field in fields(cls)}
        if unknown:
            raise FileError(f"conditions: no field is called {', '.join(sorted(map(str, unknown)))}")
        return cls(**data)

    def to_dict(self) -> dict[str, Any]:
        """A mapping that JSON can hold and `from_dict` reads back."""
        return asdict(self)


@cache
def _kinds() -> dict[str, Any]:
    return get_type_hints(Conditions, include_extras=True)


NUMBERS = {"pass_number": int, "speed_kmh": float, "air_temperature_c": float}
"""The fields of Conditions that are no text."""


class Ending(StrEnum):
    """How a recording ended."""

    COMPLETE = "complete"
    """All the seconds asked for are there."""
    STOPPED = "stopped"
    """Somebody ended it, and the box said goodbye."""
    BROKEN_OFF = "broken off"
    """It was to go on: the box, the cable, the disk or the computer ended it."""


LATEST_S = 1e11
"""Some three thousand years: no clock shows more."""


class ClockReading(msgspec.Struct, frozen=True):
    """The box's clock showed `clock_us` after `sent_unix_s` (None: not known) and before `received_unix_s`."""

    boot_id: str
    clock_us: Annotated[float, Meta(ge=-LATEST_S * 1e6, le=LATEST_S * 1e6)]
    sent_unix_s: Annotated[float, Meta(lt=LATEST_S)] | None
    received_unix_s: Annotated[float, Meta(gt=0, lt=LATEST_S)]
    received_monotonic_s: float | None = None
    """The same moment by the clock that nobody sets."""


class StruckOut(msgspec.Struct):
    """Why a pass is left out of everything."""

    reason: Annotated[str, Meta(min_length=1, max_length=2000)]
    at_utc: str
    after_values: bool = False
    """Its values had been shown before: a choice by the outcome cannot be ruled out."""

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return dict(msgspec.structs.asdict(self))

    @property
    def words(self) -> str:
        """Why, when, and whether anybody had seen its values by then."""
        seen = ", after its values had been shown" if self.after_values else ""
        return f"struck out on {self.at_utc[:10]}{seen}: {self.reason}"


class Sidecar(msgspec.Struct):
    """The file beside a raw recording, and what only the host knows in it; more keys may follow."""

    conditions: dict[str, Any] = {}
    started_utc: str = ""
    """ISO 8601."""
    hello: dict[str, Any] = {}
    """The box's hello, used when the raw bytes hold none."""
    clock: Any = None
    """Host against box clock: a list of ClockReading; anything else is not looked at."""
    ended: str = ""
    """Why the recording ended, in words; empty while it goes on."""
    ending: Ending | None = None
    """How; None while it goes on, and in sidecars that were written before there was this key."""
    seconds: float | None = None
    """How long it was to be; None: until somebody ends it."""
    utc_offset_s: Annotated[int, Meta(ge=-86000, le=86000)] | None = None
    """What the computer's local time was ahead of UTC, so that a drive has its driver's day."""
    history: list[dict[str, Any]] = []
    """What the conditions were, or why it was struck out, each until a time; oldest first."""
    struck_out: StruckOut | None = None
    """Left out of everything."""


def sidecar_path(raw_path: Path) -> Path:
    """Where the conditions of a raw recording are kept: NAME.conditions.json beside NAME.ttraw."""
    return sibling(raw_path, ".conditions.json")


def write_sidecar(raw_path: Path, conditions: Conditions, **host: Any) -> Path:
    """Write the conditions beside `raw_path`, whole or not at all; `host` are keys of Sidecar and others, as JSON."""
    path = sidecar_path(raw_path)
    text = json.dumps({"conditions": conditions.to_dict(), **host}, indent=1, allow_nan=False)
    with whole_file(path) as part:
        part.write_text(text + "\n", "utf-8")
    return path


def read_sidecar(raw_path: Path) -> dict[str, Any]:
    """What lies beside `raw_path`: `conditions` as Conditions, and the host's keys; without one, empty conditions."""
    path = sidecar_path(raw_path)
    if not os.path.lexists(path):
        return {"conditions": Conditions()}
    content = read_json(path, dict[str, Any], "the conditions of a drive as JSON, or move it away", LARGEST_SIDECAR)
    sidecar = typed(content, Sidecar, str(path))
    try:
        return {**content, "conditions": Conditions.from_dict(sidecar.conditions)}
    except FileError as error:
        raise FileError(f"{path}: {error}") from None
