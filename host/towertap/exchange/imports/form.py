"""What a file of another recorder holds, what a person tells of it, and what was settled on the way to a capture."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from msgspec import Meta

from towertap.capture.imported import Decision
from towertap.doors.structured import typed
from towertap.exchange.samples import FORMAT
from towertap.signals.filters import Array
from towertap.wire.messages import RATES_HZ

MOST_BYTES = 2**31
"""Of a file: it is read into memory as a whole."""


class ImportOptions(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a person tells of a file. Empty or None: to be found in the file."""

    rate_hz: float | None = None
    """Samples a second, evenly spaced; a column of time is then not looked at."""
    time: str = ""
    """Name of the column of time."""
    time_unit: str = ""
    acceleration: tuple[str, ...] = ()
    """Names of the columns, x y z."""
    rotation: tuple[str, ...] = ()
    unit: str = ""
    """Of acceleration: a unit's name, or m/s² a number."""
    rotation_unit: str = ""
    full_scale: float | None = None
    """Of whole numbers in a .wav: what the largest stands for, in `unit`."""
    largest: float | None = None
    """The end of the recorder's range of acceleration, in `unit`."""


Positive = Annotated[float, Meta(gt=0)]


class OurMetadata(msgspec.Struct, frozen=True):
    """What an export of ours says of its samples, as far as an import reads it; nothing of it in another's file."""

    capture: str = ""
    start_utc: str | None = None
    starts_at_s: float = 0.0
    rate_hz: Positive | None = None
    rate_interval_hz: tuple[Positive, Positive] | None = None
    nominal_rate_hz: Annotated[float, Meta(ge=RATES_HZ[0], le=RATES_HZ[1])] | None = None
    axes: str = ""
    units: dict[str, str] = {}
    counts_are: dict[str, Positive] = {}
    conditions: dict[str, Any] = {}
    channels: tuple[str, ...] = ()
    wav_full_scale: dict[str, Positive] = {}
    wav_no_reading: int | None = None


NOT_OURS = OurMetadata()


def our_metadata(content: Any, path: Path) -> OurMetadata:
    """The metadata of an export of ours; NOT_OURS where they are not. FileError for ours that were spoiled."""
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        return NOT_OURS
    return typed(content, OurMetadata, f"{path}: its metadata")


def our_metadata_in(text: str | bytes, path: Path) -> OurMetadata:
    """The same of JSON text, be it another's."""
    try:
        return our_metadata(json.loads(text), path)
    except (ValueError, RecursionError):
        return NOT_OURS


def repeated(names: Sequence[str]) -> str | None:
    """The first name that stands there twice."""
    return next((name for k, name in enumerate(names) if name in names[:k]), None)


@dataclass(frozen=True, eq=False)
class FileContent:
    """The columns of a file as they stand there, (rows, columns) float64, NaN where there is nothing."""

    names: list[str]
    values: Array
    units: dict[str, str] = field(default_factory=dict)
    """By name, where the file tells them beside the names."""
    rate_hz: float | None = None
    """As the file's format tells it; a column of time goes before it."""
    start_utc: str = ""
    """When its time is 0, or its first row where it has none."""
    metadata: OurMetadata = NOT_OURS
    unscaled: bool = False
    """Values of 1 stand for a full scale that the file does not tell."""

    def column(self, name: str) -> Array:
        """The values (rows,) of one column."""
        return np.ascontiguousarray(self.values[:, self.names.index(name)])


class Decisions(list[Decision]):
    """What was settled, in order; nothing is assumed that does not stand here."""

    def add(self, how: Literal["told", "found", "assumed"], what: str) -> None:
        """Note one."""
        self.append(Decision(how, what))
