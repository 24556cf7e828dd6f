"""What a file of another recorder holds, the options of an import, and the decisions made on the way to a capture."""

import json
from collections.abc import Sequence
from contextlib import suppress
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
"""Limit of a file, which is read into memory completely."""


class ImportOptions(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the user says about a file. Empty or None: to be found in the file."""

    rate_hz: float | None = None
    """Rate of evenly spaced samples; a time column is then ignored."""
    time: str = ""
    """Name of the time column."""
    time_unit: str = ""
    acceleration: tuple[str, ...] = ()
    """Names of the columns, x y z."""
    rotation: tuple[str, ...] = ()
    unit: str = ""
    """Unit of acceleration: its name, or its size in m/s²."""
    rotation_unit: str = ""
    full_scale: float | None = None
    """Acceleration at the largest integer of a .wav, in `unit`."""
    largest: float | None = None
    """The recorder's range of acceleration, ±, in `unit`."""


Positive = Annotated[float, Meta(gt=0)]


class ExportMetadata(msgspec.Struct, frozen=True):
    """The metadata of a towertap export that an import reads; all defaults for any other file."""

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


NO_METADATA = ExportMetadata()


def export_metadata(content: Any, path: Path) -> ExportMetadata:
    """The metadata of a towertap export, from JSON or a text; NO_METADATA of any other. FileError if damaged."""
    if isinstance(content, str | bytes):
        with suppress(ValueError, RecursionError):
            content = json.loads(content)
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        return NO_METADATA
    return typed(content, ExportMetadata, f"{path}: its metadata")


def repeated(names: Sequence[str]) -> str | None:
    """The first name that occurs twice."""
    return next((name for k, name in enumerate(names) if name in names[:k]), None)


@dataclass(frozen=True, eq=False)
class FileContent:
    """The columns of a file as they are, (rows, columns) float64; NaN for empty cells."""

    names: list[str]
    values: Array
    units: dict[str, str] = field(default_factory=dict)
    """By column name, if the file has them apart from the names."""
    rate_hz: float | None = None
    """Rate in the file's header; a time column has precedence."""
    start_utc: str = ""
    """Date and time at time 0, or of the first row if there is no time."""
    metadata: ExportMetadata = NO_METADATA
    unscaled: bool = False
    """Values are fractions of a full scale that the file does not give."""

    def column(self, name: str) -> Array:
        """The values (rows,) of one column."""
        return np.ascontiguousarray(self.values[:, self.names.index(name)])


class Decisions(list[Decision]):
    """Everything that an import was told, found or assumed, in order."""

    def add(self, how: Literal["told", "found", "assumed"], what: str) -> None:
        """Append a decision."""
        self.append(Decision(how, what))
