"""Conditions of a drive: asked once, stored in a sidecar next to the raw recording and in the capture."""

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
    """The conditions of one pass. An empty text or None means not given."""

    vehicle: Words = ""
    part: Words = ""
    """The fitted part, by the name that `compare --before/--after` uses."""
    road: Words = ""
    pass_number: Annotated[int, Meta(ge=1, le=9999)] | None = None
    speed_kmh: Annotated[float, Meta(ge=0, le=400)] | None = None
    """Target speed."""
    tyre_pressures_kpa: Words = ""
    """Front left, front right, rear left, rear right: "250, 250, 300, 300"."""
    air_temperature_c: Annotated[float, Meta(ge=-60, le=60)] | None = None
    box_position: Words = ""
    mounting: Words = ""
    """Chip axis along each vehicle axis (ISO 8855), "x=+X,y=+Y,z=+Z"."""
    notes: Words = ""

    def __post_init__(self) -> None:
        """Check every field's type and range; FileError names the one that is wrong."""
        for name, kind in _kinds().items():
            object.__setattr__(self, name, typed(getattr(self, name), kind, f"conditions: {name}"))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """From a mapping such as a JSON object; FileError names unknown keys."""
        unknown = set(data) - {field.name for field in fields(cls)}
        if unknown:
            raise FileError(f"conditions: no field is called {', '.join(sorted(map(str, unknown)))}")
        return cls(**data)

    def to_dict(self) -> dict[str, Any]:
        """A mapping for JSON; the inverse of `from_dict`."""
        return asdict(self)


@cache
def _kinds() -> dict[str, Any]:
    return get_type_hints(Conditions, include_extras=True)


NUMBERS = {"pass_number": int, "speed_kmh": float, "air_temperature_c": float}
"""The numeric fields of Conditions."""


class Ending(StrEnum):
    """How a recording ended."""

    COMPLETE = "complete"
    """It has all the seconds asked for."""
    STOPPED = "stopped"
    """The user ended it, and the box said goodbye."""
    BROKEN_OFF = "broken off"
    """The box, the cable, the disk or the computer ended it early."""


LATEST_S = 1e11
"""About three thousand years: no clock shows more."""


class ClockReading(msgspec.Struct, frozen=True):
    """The box's clock was `clock_us` at a moment after `sent_unix_s` (None: not known) and before `received_unix_s`."""

    boot_id: str
    clock_us: Annotated[float, Meta(ge=-LATEST_S * 1e6, le=LATEST_S * 1e6)]
    sent_unix_s: Annotated[float, Meta(lt=LATEST_S)] | None
    received_unix_s: Annotated[float, Meta(gt=0, lt=LATEST_S)]
    received_monotonic_s: float | None = None
    """`received_unix_s` by the monotonic clock."""


class StruckOut(msgspec.Struct):
    """Why a pass is left out everywhere."""

    reason: Annotated[str, Meta(min_length=1, max_length=2000)]
    at_utc: str
    after_values: bool = False
    """Its values had been shown before, so selection by outcome cannot be ruled out."""

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return dict(msgspec.structs.asdict(self))

    @property
    def words(self) -> str:
        """One phrase: when, whether its values had been shown, and why."""
        seen = ", after its values had been shown" if self.after_values else ""
        return f"struck out on {self.at_utc[:10]}{seen}: {self.reason}"


class Sidecar(msgspec.Struct):
    """The file next to a raw recording, with what only the host knows; it may have more keys."""

    conditions: dict[str, Any] = {}
    started_utc: str = ""
    """ISO 8601."""
    hello: dict[str, Any] = {}
    """The box's hello, used if the raw bytes have none."""
    clock: Any = None
    """Clock readings: a list of ClockReading; anything else is ignored."""
    ended: str = ""
    """Why the recording ended, in words; empty while it goes on."""
    ending: Ending | None = None
    """How the recording ended; None while it goes on, and in sidecars older than this key."""
    seconds: float | None = None
    """Intended length; None if it goes on until the user ends it."""
    utc_offset_s: Annotated[int, Meta(ge=-86000, le=86000)] | None = None
    """Local time minus UTC, which gives the driver's day."""
    history: list[dict[str, Any]] = []
    """Earlier conditions or strikings-out, each with the time until which it held; oldest first."""
    struck_out: StruckOut | None = None
    """Set if the pass is left out everywhere."""


def sidecar_path(raw_path: Path) -> Path:
    """Path of a raw recording's sidecar: NAME.conditions.json next to NAME.ttraw."""
    return sibling(raw_path, ".conditions.json")


def write_sidecar(raw_path: Path, conditions: Conditions, **host: Any) -> Path:
    """Write the sidecar of `raw_path` atomically; `host` are further keys, of Sidecar or others, as JSON."""
    path = sidecar_path(raw_path)
    text = json.dumps({"conditions": conditions.to_dict(), **host}, indent=1, allow_nan=False)
    with whole_file(path) as part:
        part.write_text(text + "\n", "utf-8")
    return path


def read_sidecar(raw_path: Path) -> dict[str, Any]:
    """The sidecar of `raw_path`: `conditions` as Conditions, and the host's keys; empty conditions if there is none."""
    path = sidecar_path(raw_path)
    if not os.path.lexists(path):
        return {"conditions": Conditions()}
    content = read_json(path, dict[str, Any], "the conditions of a drive as JSON, or move it away", LARGEST_SIDECAR)
    sidecar = typed(content, Sidecar, str(path))
    try:
        return {**content, "conditions": Conditions.from_dict(sidecar.conditions)}
    except FileError as error:
        raise FileError(f"{path}: {error}") from None
