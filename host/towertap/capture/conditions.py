"""What was known before the drive: asked once, kept in a file beside the raw recording and in the capture itself."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Self

from towertap.doors.whole_file import whole_file
from towertap.errors import CallError, FileError

LONGEST_TEXT = 2000
LARGEST_SIDECAR = 10_000_000
_UNFIT = re.compile("[\0\ud800-\udfff]")  # what neither HDF5 nor UTF-8 can hold

RANGES = {
    "pass_number": (1, 9999),
    "speed_kmh": (0.0, 400.0),
    "air_temperature_c": (-60.0, 60.0),
}
"""What a number of the conditions may be; a value outside is a slip of the pen."""


@dataclass(frozen=True)
class Conditions:
    """The conditions of one pass. An empty text or None means that it was not said."""

    vehicle: str = ""
    part: str = ""
    """The part fitted, by the name that `compare --before/--after` uses."""
    road: str = ""
    pass_number: int | None = None
    speed_kmh: float | None = None
    """The speed aimed at."""
    tyre_pressures_kpa: str = ""
    """As read, front left, front right, rear left, rear right: "250, 250, 300, 300"."""
    air_temperature_c: float | None = None
    box_position: str = ""
    mounting: str = ""
    """Chip axis along each vehicle axis (ISO 8855), "x=+X,y=+Y,z=+Z"."""
    notes: str = ""

    def __post_init__(self) -> None:
        """Hold every field to its type and range; CallError names the one that is wrong."""
        for field in fields(self):
            value = getattr(self, field.name)
            if field.type == "str":
                if not isinstance(value, str) or len(value) > LONGEST_TEXT or _UNFIT.search(value):
                    raise CallError(f"conditions: {field.name} must be a text of up to {LONGEST_TEXT} characters")
            elif value is not None:
                object.__setattr__(self, field.name, _number(field.name, value))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """From a mapping such as a JSON object; keys that are not a field are refused by name."""
        unknown = set(data) - {field.name for field in fields(cls)}
        if unknown:
            raise CallError(f"conditions: no field is called {', '.join(sorted(map(str, unknown)))}")
        return cls(**data)

    def to_dict(self) -> dict[str, Any]:
        """A mapping that JSON can hold and `from_dict` reads back."""
        return asdict(self)


def _number(name: str, value: Any) -> int | float:
    lowest, highest = RANGES[name]
    numeric = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if not numeric or not lowest <= value <= highest or (name == "pass_number" and value != int(value)):
        raise CallError(f"conditions: {name} must be a number from {lowest:g} to {highest:g}, not {value!r}")
    return int(value) if name == "pass_number" else float(value)


def sidecar_path(raw_path: Path) -> Path:
    """Where the conditions of a raw recording are kept: NAME.conditions.json beside NAME.ttraw."""
    return raw_path.with_suffix(".conditions.json")


def write_sidecar(raw_path: Path, conditions: Conditions, **host: Any) -> Path:
    """Write the conditions beside `raw_path`, whole or not at all.

    `host` is what only the host knows, each JSON: `started_utc` (ISO 8601), `clock` (host against box clock), `hello`
    (the box's hello, used when the raw bytes hold none).
    """
    path = sidecar_path(raw_path)
    text = json.dumps({"conditions": conditions.to_dict(), **host}, indent=1, allow_nan=False)
    with whole_file(path) as part:
        part.write_text(text + "\n", "utf-8")
    return path


def read_sidecar(raw_path: Path) -> dict[str, Any]:
    """What lies beside `raw_path`: `conditions` as Conditions, and the host's keys; without one, empty conditions."""
    path = sidecar_path(raw_path)
    if not path.exists():
        return {"conditions": Conditions()}
    try:
        if path.stat().st_size > LARGEST_SIDECAR:
            raise FileError(f"{path}: far too large to be the conditions of a drive; move it away or mend it")
        data = json.loads(path.read_text("utf-8"))
        return {**data, "conditions": Conditions.from_dict(data.get("conditions", {}))}
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise FileError(f"{path}: not the conditions of a drive as JSON; mend it or move it away ({error})") from None
    except CallError as error:
        raise FileError(f"{path}: {error}") from None
